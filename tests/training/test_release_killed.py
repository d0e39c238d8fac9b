"""A release is whole or not there, whenever its process dies."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from toy_garden import DISC
from typer.testing import CliRunner

from training.export import Exported
from training.releasing.release_check import check_release
from training.verbs import app
from weedset.digests import whole_folder
from weedset.settings import Workspace

ROOT = Path(__file__).resolve().parents[2]


@pytest.mark.slow
def test_killed_at_each_step_it_is_whole_or_not_there_and_can_be_done_again(
    exported: Exported, run_dir: Path, garden: Workspace, tmp_path: Path
) -> None:
    policy = tmp_path / "beds.toml"
    policy.write_text(f'name = "beds"\nremove = ["{DISC}"]\n')
    given = [str(exported.path), str(run_dir), str(garden.root), str(policy)]
    done = subprocess.run(
        [sys.executable, "-W", "ignore", "-m", "tests.training.killed_release", *given, tmp_path],
        capture_output=True,
        text=True,
        check=True,
        cwd=ROOT,
        env={**os.environ, "OMP_NUM_THREADS": "1", "PYTHONPATH": f"{ROOT}:{ROOT}/tests/training"},
    )
    steps = int(done.stdout)
    assert steps > 50
    whole = check_release(tmp_path / "judged" / "beds-1").digest
    there = [n for n in range(1, steps + 1) if (tmp_path / str(n) / "beds-1").exists()]
    assert steps in there
    assert len(there) > 1, "no step comes after its name is given"
    for n in there:
        assert check_release(tmp_path / str(n) / "beds-1").digest == whole
    # The same command again: before anything, in the midst of it, and after all was done.
    for n in (1, steps // 2, there[0] - 1, there[0]):
        words = ["release", given[0], "--run", given[1], "-w", given[2], "--policy", given[3]]
        words += ["--first", "--out", str(tmp_path / str(n) / "beds-1")]
        again = CliRunner().invoke(app, words)
        assert again.exit_code == 0, again.output
        assert check_release(tmp_path / str(n) / "beds-1").digest == whole


def test_what_a_killed_one_left_behind_is_in_nobodys_way(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In containers processes get the same id again."""
    monkeypatch.setattr(os, "getpid", lambda: 7)
    whole = tmp_path / "whole"
    died = whole_folder(whole)
    died.__enter__()  # and never left
    with whole_folder(whole) as aside:
        (aside / "x").touch()
    assert [path.name for path in whole.iterdir()] == ["x"]
