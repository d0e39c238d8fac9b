"""An --out that cannot be written is told at once, not after minutes of judging."""

from __future__ import annotations

from importlib import import_module
from pathlib import Path

import pytest
from toy_garden import DISC
from typer.testing import CliRunner

from training.export import Exported
from training.verbs import app
from weedset.settings import Workspace


@pytest.mark.parametrize("verb", ["report", "bound", "release", "export", "evaluate", "doubts"])
def test_what_cannot_be_written_is_told_before_the_judging(
    verb: str,
    exported: Exported,
    run_dir: Path,
    garden: Workspace,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def too_late(*_: object) -> None:
        raise AssertionError("looked at pictures first")

    for module, name in (
        ("training.evaluation.evaluate", "classify_photo"),
        ("training.datasets", "decode_tile"),
        ("training.doubting.embeddings", "decode_tile"),
    ):
        monkeypatch.setattr(import_module(module), name, too_late)
    (tmp_path / "file").write_text("")
    out, policy = tmp_path / "file" / "out.svg", tmp_path / "beds.toml"
    policy.write_text(f'name = "beds"\nremove = ["{DISC}"]\n')
    ruled = ["--policy", policy]
    words = {
        "report": ["report", exported.path, *ruled, "--out", out],
        "bound": ["bound", exported.path, *ruled, "--at-most", "0.1", "--out", out],
        "release": ["release", exported.path, *ruled, "--run", run_dir, "--first", "--out", out],
        "export": ["export", run_dir, "--out", out],
        "evaluate": ["evaluate", "--model", exported.path, *ruled, "--reliability", out],
        "doubts": ["doubts", "--to", out],
    }[verb]
    done = CliRunner().invoke(app, [*map(str, words), "-w", str(garden.root)])
    assert (done.exit_code, done.stdout) == (1, "")
    assert "out.svg: cannot be written (Not a directory)" in done.stderr
    assert sorted(path.name for path in tmp_path.iterdir()) == ["beds.toml", "file"]
