"""docs/evaluation.md: every command shown runs, in order, and what it states is so."""

from __future__ import annotations

import re
import shlex
import shutil
from dataclasses import asdict
from pathlib import Path

import pytest
from toy_garden import BAR, DISC, quick_recipe
from typer.testing import CliRunner

from tests.as_written import commands_of
from training.evaluation.harm import sites_needed
from training.evaluation.leave_one_out import LeftOut
from training.export import Exported
from training.verbs import app
from weedset.settings import Workspace

TEXT = (Path(__file__).resolve().parents[2] / "docs" / "evaluation.md").read_text("utf-8")


def run(words: list[str]) -> tuple[int, str]:
    result = CliRunner().invoke(app, words)
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result.exit_code, re.sub(r"[\s│]+", " ", result.output)  # as it reads, out of its box


@pytest.fixture
def folder(
    exported: Exported,
    three: Workspace,
    garden: Workspace,
    many: Workspace,
    folds: tuple[LeftOut, Path],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> Path:
    """The folder of a reader who trained a model and has gardens that it never saw."""
    shutil.copy(exported.path, tmp_path / "small.onnx")
    (tmp_path / "garden").symlink_to(garden.root)
    (tmp_path / "others").symlink_to(many.root)
    (tmp_path / "three").symlink_to(three.root)
    shutil.copytree(folds[1], tmp_path / "folds")
    policy = f'name = "beds"\nremove = ["{DISC}"]\nprotect = ["{BAR}"]\n'
    (tmp_path / "beds.toml").write_text(policy)
    settings = (f"{name} = {value!r}" for name, value in asdict(quick_recipe()).items())
    (tmp_path / "recipe.toml").write_text("\n".join(settings))
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_every_command_runs_as_written(folder: Path) -> None:
    lines = commands_of(TEXT)
    assert len(lines) >= 7
    for line in lines:
        program, *words = shlex.split(line)
        assert program == "weedset"
        if words[0] == "leave-one-out":  # three sites, trained already: four would take long
            words[words.index("-w") + 1] = "three"
        code, output = run(words)
        assert code == 0, f"{line}\n{output}"
    assert (folder / "curves.png").stat().st_size > 10_000
    assert (folder / "bounded.onnx").stat().st_size > 100_000


def test_too_few_sites_leave_with_three_and_a_file_that_treats_nothing(folder: Path) -> None:
    words = "bound small.onnx -w others --all --policy beds.toml --at-most 0.05 --out n.onnx"
    code, output = run(words.split())
    assert code == 3
    assert "n.onnx: treats nothing, since the labels cannot support the bound; if sites" in output
    assert "it takes 59: 28 more" in output
    code, output = run(["evaluate", "--model", "n.onnx", "-w", "garden", "--policy", "beds.toml"])
    assert code == 0
    assert output.count("never treated") == 2  # any plant at all is not said to be


@pytest.mark.parametrize("words", ["--at-most 5", "--at-most 0.05 --confidence 95", "--at-most 0"])
def test_shares_that_are_none_are_usage_errors(folder: Path, words: str) -> None:
    command = f"bound small.onnx -w others --all --policy beds.toml --out x.onnx {words}"
    code, output = run(command.split())
    assert code == 2
    assert "give a share between 0 and 1" in output
    assert not (folder / "x.onnx").exists()


def test_a_planting_is_stated_whole_or_not_at_all(folder: Path) -> None:
    code, output = run(["evaluate", "--model", "small.onnx", "-w", "garden", "--weeds-per-m2", "4"])
    assert code == 2
    assert "--crops-per-m and --band-mm together: none is supposed" in output


def test_the_table_of_sites_is_right() -> None:
    rows = re.findall(r"^\| (\d+) % \| (\d+) sites \| (\d+) sites \|$", TEXT, re.MULTILINE)
    assert len(rows) == 3
    for share, ninety, ninety_five in rows:
        assert sites_needed(int(share) / 100, 0.90) == int(ninety)
        assert sites_needed(int(share) / 100, 0.95) == int(ninety_five)
