"""Each site left out once: three trainings for real, then what is kept and what is refused."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from toy_garden import BAR, DISC, make_garden, quick_recipe, toy_photos, toy_recipe

import training.evaluation.leave_one_out
from training.evaluation.evaluate import trial
from training.evaluation.leave_one_out import LeftOut, leave_one_out
from training.evaluation.leave_one_out_text import left_out_record, left_out_table
from training.evaluation.outcomes import pooled, tabulate
from training.evaluation.per_row import Planting
from training.evaluation.scores import score
from training.sources import from_workspace
from weedset.board.model import open_model
from weedset.errors import SettingsError, TrainingError
from weedset.records import ANY_PLANT, Policy
from weedset.settings import Workspace

POLICY = Policy("beds", frozenset({DISC}), frozenset({BAR}))


def test_each_site_is_judged_by_a_model_that_never_saw_it(
    folds: tuple[LeftOut, Path], three: Workspace
) -> None:
    found, out = folds
    held_out, tables = [], []
    for path in sorted(out.glob("*/model.onnx")):
        model = open_model(path)
        held_out.append(model.card.held_out)
        tried = trial(model, from_workspace(three), POLICY)
        tables.append(tabulate(tried, model.card, POLICY, codes=(ANY_PLANT, DISC, BAR)))
    assert sorted(held_out) == [("north",), ("south",), ("west",)]
    # Pooled by hand: the same cells, each judged by its own fold's shipped file.
    by_hand = score(pooled(tables))
    assert found.scores.cells == by_hand.cells == 3 * 63
    assert found.scores.harm == by_hand.harm
    found_ap = {item.code: item.average_precision for item in found.scores.species}
    for item in by_hand.species:
        assert found_ap[item.code] == pytest.approx(item.average_precision)
    assert found.scores.unit == "site"
    assert [part.name for part in found.scores.parts] == ["north", "south", "west"]


def test_what_is_there_is_not_trained_again(
    folds: tuple[LeftOut, Path], three: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    found, out = folds

    def never(*_: object) -> None:
        raise AssertionError("trained again")

    monkeypatch.setattr(training.evaluation.leave_one_out, "train", never)
    monkeypatch.setattr(training.evaluation.leave_one_out, "export_model", never)
    again = leave_one_out(
        quick_recipe(), from_workspace(three), POLICY, out, ["site"], Planting(40, 20, 100)
    )
    assert again == found
    with pytest.raises(SettingsError, match="holds a fold of another recipe"):
        leave_one_out(toy_recipe(epochs=2), from_workspace(three), POLICY, out)


def test_folds_of_other_labels_are_refused(folds: tuple[LeftOut, Path], tmp_path: Path) -> None:
    other = make_garden(tmp_path, toy_photos(("north", "south", "west"), each=2))
    with pytest.raises(SettingsError, match="holds a fold of other labels"):
        leave_one_out(quick_recipe(), from_workspace(other), POLICY, folds[1])


def test_the_words_and_the_record_tell_it(folds: tuple[LeftOut, Path]) -> None:
    found = folds[0]
    table = left_out_table(found)
    assert "189 cells of 3 sites, each judged by a model that never saw it" in table
    assert "3 sites: drawing so few anew says next to nothing" in table
    assert "crop plants hit" in table
    record = json.loads(json.dumps(left_out_record(found)))
    assert record["sites"] == ["north", "south", "west"]
    assert record["harm"]["cells"] == found.scores.harm.cells
    assert np.isclose(record["row"]["weeds_missed"]["of"], 400)


def test_fewer_than_three_sites_are_too_few(tmp_path: Path) -> None:
    two = make_garden(tmp_path, toy_photos(("north", "south"), each=1))
    with pytest.raises(TrainingError, match="labels on 2 sites; leaving one out takes at least 3"):
        leave_one_out(quick_recipe(), from_workspace(two), POLICY, tmp_path / "folds")
