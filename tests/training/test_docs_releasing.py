"""docs/releasing.md: every command shown runs, in order, and every file of a release is named."""

from __future__ import annotations

import re
import shlex
import shutil
from pathlib import Path

import pytest
from toy_garden import DISC
from typer.testing import CliRunner

from training.export import Exported
from training.verbs import app
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
    blocks = re.findall(r"^```sh\n(.*?)^```", TEXT, re.MULTILINE | re.DOTALL)
    lines = [line for block in blocks for line in block.splitlines() if line]
    assert {shlex.split(line)[1] for line in lines} == {"report", "compare", "release", "released"}
    for line in lines:
        program, *words = shlex.split(line)
        assert program == "weedset"
        result = CliRunner().invoke(app, words)
        assert result.exit_code == 0, f"{line}\n{result.output}"
    made = tmp_path / "releases" / "beds-2"
    for path in made.iterdir():
        name = f"{path.name}/" if path.is_dir() else path.name
        assert f"`{name}`" in TEXT, name
