"""What the package asks for: little on a board, and nothing whose licence would spread."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from importlib import metadata
from pathlib import Path

import pytest

import weedset
from tests.board.tiny_model import write_model

ROOT = Path(__file__).resolve().parents[1]


def needs(extra: str | None) -> set[str]:
    """Return the names of the packages that weedset asks for, plain or by one extra."""
    found = set()
    for line in metadata.requires("weedset") or []:
        name = re.match(r"[A-Za-z0-9_.-]+", line)
        asked_by = re.search(r"extra == ['\"](\w+)['\"]", line)
        if name and (asked_by[1] if asked_by else None) == extra:
            found.add(name[0].lower())
    return found


def test_a_board_installs_three_packages() -> None:
    assert needs(None) == {"numpy", "pillow", "onnxruntime"}


def test_the_version_comes_from_one_place() -> None:
    assert metadata.version("weedset") == weedset.__version__


def test_augmentation_stays_under_its_permissive_licence() -> None:
    # 2.0.8 is the last release under MIT; its drop-in successor is AGPL-3.0.
    assert metadata.version("albumentations") == "2.0.8"
    installed = {(item.metadata["Name"] or "").lower() for item in metadata.distributions()}
    assert "albumentationsx" not in installed


@pytest.mark.parametrize("first", ["weedset.board.model", "training.quantize"])
def test_the_runtime_tells_nobody(tmp_path: Path, first: str) -> None:
    """onnxruntime's Privacy.md: with its switch off in time, it keeps no identifier either."""
    model = write_model(tmp_path / "model.onnx")
    home = tmp_path / "home"
    home.mkdir()
    opens = (
        f"import {first}; from pathlib import Path; from weedset.board.model import open_model; "
        f"open_model(Path({str(model)!r}))"
    )
    # Without what else would keep it quiet, such as CI.
    here = {"PATH": os.environ["PATH"], "HOME": str(home), "PYTHONPATH": str(ROOT)}
    subprocess.run([sys.executable, "-c", opens], env=here, check=True)
    assert [file for file in home.rglob("*") if "onnxruntime" in str(file)] == []
