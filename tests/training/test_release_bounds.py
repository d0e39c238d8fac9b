"""Release, comparison and report of models from an edition, and of such with a bound on harm."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest
from test_sources import filled  # noqa: F401  # a fixture
from toy_garden import BAR, DISC, toy_recipe, with_card

from training.export import Exported, export_model
from training.releasing.compare import unseen_by_both
from training.releasing.release import release
from training.releasing.release_check import check_release
from training.releasing.report import write_report
from training.sources import from_edition, from_workspace
from training.train import train
from weedset.board.model import open_model
from weedset.errors import CheckNotPassedError, TrainingError
from weedset.modelcard import HarmBound
from weedset.pool.layout import Pool
from weedset.records import Policy
from weedset.settings import Workspace

BOUND = HarmBound(0.05, 0.95, (DISC,), ("spent",), 40, "learn then test")


@pytest.fixture(scope="module")
def beds(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("policy") / "beds.toml"
    path.write_text(f'name = "beds"\nremove = ["{DISC}"]\n')
    return path


@pytest.mark.slow
def test_a_model_from_an_edition_is_released_by_it(
    filled: tuple[Pool, Path],  # noqa: F811
    beds: Path,
    tmp_path: Path,
) -> None:
    pool, _ = filled
    source = from_edition(pool.edition(1))
    assert source.split is not None
    parts = {split: {tile.site for tile in getattr(source.split, split)} for split in
             ("train", "validation", "test")}  # fmt: skip
    if not all(parts.values()):
        source = replace(source, split=None)
    train(toy_recipe(epochs=12, batch_size=16), source, tmp_path / "run")
    model = export_model(tmp_path / "run", source, tmp_path / "new.onnx").path
    done = release(model, tmp_path / "run", source, beds, tmp_path / "out", first=True)
    assert check_release(done.folder).card.edition == "edition 1"
    assert source.digest in (done.folder / "README.md").read_text()
    out = tmp_path / "report.html"
    write_report(open_model(model), source, Policy("b", frozenset({DISC}), frozenset({BAR})), out)
    assert "that it has never seen" in out.read_text()
    pictures = re.findall(r"<img ", out.read_text())
    shown = re.findall(r"<figcaption>\s*<b>", out.read_text())
    assert len(pictures) == len(shown)


def test_a_bound_is_told_and_its_sites_judge_no_more(
    exported: Exported, run_dir: Path, garden: Workspace, beds: Path, tmp_path: Path
) -> None:
    card = replace(exported.card, bound=BOUND)
    bounded = with_card(exported.path, tmp_path / "bounded.onnx", card)
    done = release(bounded, run_dir, from_workspace(garden), beds, tmp_path / "out", first=True)
    assert "With 95% confidence at most 5.00% of the" in (done.folder / "README.md").read_text()
    out = tmp_path / "report.html"
    write_report(
        open_model(bounded),
        from_workspace(garden),
        Policy("b", frozenset({DISC}), frozenset()),
        out,
    )
    assert "on average over gardens like the 1 site" in out.read_text()
    # Under another policy it treats nothing: that is no release.
    both = tmp_path / "both.toml"
    both.write_text('name = "none"\nremove = ["DAUCS"]\n')
    with pytest.raises(CheckNotPassedError, match="treats nothing under this policy"):
        release(bounded, run_dir, from_workspace(garden), both, tmp_path / "other", first=True)
    (held_out,) = exported.card.held_out
    spent = replace(card, bound=replace(BOUND, sites=(held_out,)))
    with pytest.raises(TrainingError, match="only on sites on which a bound on harm was"):
        unseen_by_both(from_workspace(garden), (spent, exported.card), False)
