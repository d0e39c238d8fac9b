"""The README's journeys: every command in a `sh` block runs, in order, as written."""

from __future__ import annotations

import os
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from sample_data.sites import SITES
from sample_data.write import Order, write
from tests.as_written import commands_of

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text("utf-8")


def blocks(kind: str) -> list[str]:
    return re.findall(rf"^```{kind}\n(.*?)^```", README, re.MULTILINE | re.DOTALL)


@pytest.fixture(scope="module")
def garden(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder as the README's reader has it: photos, masks and two TOML files."""
    folder = tmp_path_factory.mktemp("readme")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("sample_data.write.SITES", [s for s in SITES if s.name == "tin-shed"])
        write(folder / "drawn", Order(sites=1, photos_per_site=6))
    shutil.move(folder / "drawn" / "tin-shed" / "masks", folder / "masks")
    shutil.move(folder / "drawn" / "tin-shed", folder / "photos")
    for text in blocks("toml"):
        name = re.match(r"# (\S+)\n", text)
        assert name, "a TOML block begins with its file's name"
        (folder / name[1]).write_text(text, "utf-8")
    return folder


@pytest.mark.slow
def test_every_journey_runs_as_written(garden: Path) -> None:
    programs = f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
    lines = commands_of(README)
    assert len(lines) >= 10
    for line in lines:
        done = subprocess.run(
            shlex.split(line),
            cwd=garden,
            env={**os.environ, "PATH": programs, "PYTHONPATH": str(ROOT)},
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.returncode == 0, f"{line}\n{done.stdout}\n{done.stderr}"
    assert list((garden / "seen").glob("*.jpg"))


def test_what_the_readme_points_at_is_there() -> None:
    for target in re.findall(r"\]\(([^)#]+)\)", README):
        assert (ROOT / target).exists(), target
    for recipe in (ROOT / "configs").iterdir():
        assert f"\n| `{recipe.stem}` |" in README, recipe.name
