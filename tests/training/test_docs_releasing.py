"""docs/releasing.md: every command shown runs, in order, and every file of a release is named."""

from __future__ import annotations

import shlex
import shutil
from pathlib import Path

import pytest
from toy_garden import DISC

from tests.as_written import commands_of, run_as_written
from training.export import Exported
from weedset.settings import Workspace

TEXT = (Path(__file__).resolve().parents[2] / "docs" / "releasing.md").read_text("utf-8")


def test_every_command_runs_as_written(
    exported: Exported,
    worse: Path,
    run_dir: Path,
    garden: Workspace,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    shutil.copy(exported.path, tmp_path / "new.onnx")
    shutil.copy(worse, tmp_path / "old.onnx")
    shutil.copytree(run_dir, tmp_path / "runs" / "new")
    shutil.copytree(garden.root, tmp_path / "garden")
    (tmp_path / "beds.toml").write_text(f'name = "beds"\nremove = ["{DISC}"]\n')
    monkeypatch.chdir(tmp_path)
    lines = commands_of(TEXT)
    assert {shlex.split(line)[1] for line in lines} == {"report", "compare", "release", "released"}
    run_as_written(lines)
    made = tmp_path / "releases" / "beds-2"
    for path in made.iterdir():
        name = f"{path.name}/" if path.is_dir() else path.name
        assert f"`{name}`" in TEXT, name
