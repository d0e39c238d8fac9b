"""docs/pool.md: every command shown runs, in order, and every verb of the pool is shown."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from tests.as_written import commands_of, run_as_written
from tests.pool.conftest import give
from training.verbs import app

TEXT = (Path(__file__).resolve().parents[2] / "docs" / "pool.md").read_text("utf-8")


def test_every_command_runs_as_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # Eve gives the photos of anna again, the others show different ground.
    for giver, site, seed in (("anna", "aa", 0), ("ben", "bb", 10), ("eve", "ee", 0)):
        give(tmp_path, giver, f"s-00000000000000{site}", seed, photos=3)
    monkeypatch.chdir(tmp_path)
    lines = commands_of(TEXT)
    assert len(lines) >= 6
    run_as_written(lines)
    parts = re.findall(r"^```python\n(.*?)^```", TEXT, re.MULTILINE | re.DOTALL)
    assert len(parts) == 2
    # in a process of its own each: libraries may warn, and must reach no network
    offline = {"HF_HOME": str(tmp_path), "HF_HUB_OFFLINE": "1", "HF_DATASETS_OFFLINE": "1"}
    for python in parts:
        subprocess.run(
            [sys.executable, "-W", "ignore", "-c", python],
            check=True,
            env={**os.environ, **offline},
        )


def test_every_verb_of_the_pool_is_shown() -> None:
    from typer.main import get_command

    group = get_command(app).commands["pool"]  # type: ignore[attr-defined]  # vendored click
    for name in group.commands:
        assert f"weedset pool {name}" in TEXT, name
