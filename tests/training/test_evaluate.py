import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from sklearn.metrics import average_precision_score, precision_score, recall_score
from toy_garden import BAR, CELL_PX, COLS, DISC, ROWS, draw_photo, make_garden, toy_photos

from training.evaluation.evaluate import evaluate, trial
from training.evaluation.evaluation_text import evaluation_record, evaluation_table
from training.evaluation.pairs import Ought
from training.evaluation.per_row import Planting
from training.evaluation.scores import ASPECTS
from training.export import Exported
from training.sources import from_workspace
from weedset.board.classify import classify_photo
from weedset.board.model import BoardModel, open_model
from weedset.errors import ModelError, PhotoError, TrainingError
from weedset.records import ANY_PLANT, Action, CameraProfile, Policy
from weedset.settings import Workspace

POLICY = Policy("beds", frozenset({DISC}), frozenset({BAR}))


@pytest.fixture(scope="module")
def model(exported: Exported) -> BoardModel:
    return open_model(exported.path)


def test_scores_are_scikit_learns_over_what_the_board_said(
    model: BoardModel, garden: Workspace
) -> None:
    # Reference: scikit-learn, over probabilities of the board and plants as drawn.
    found = evaluate(model, from_workspace(garden), POLICY)
    profile = CameraProfile("toy", None, None, None, 50 / 32, None, None, None)
    (site,) = model.card.held_out
    place = ("north", "south", "east", "west").index(site)
    truth, probabilities = [], []
    for i in range(2):
        _, plants = draw_photo(100 * place + i)
        path = garden.root.parent / "photos" / f"{site}{i}.png"
        for cell in classify_photo(model, path, profile, POLICY).cells:
            truth.append(DISC in plants[cell.row, cell.col])
            probabilities.append(cell.probabilities[model.card.codes.index(DISC)])
    assert (found.photos, found.cells, found.split) == (2, 126, "site")
    score = next(score for score in found.species if score.code == DISC)
    item = next(item for item in model.card.classes if item.code == DISC)
    assert score.average_precision == pytest.approx(average_precision_score(truth, probabilities))
    called = [p >= item.present_at for p in probabilities]
    assert score.present.precision == pytest.approx(precision_score(truth, called))
    assert score.present.recall == pytest.approx(recall_score(truth, called))


def test_a_model_of_a_toy_garden_treats_weeds_and_spares_crops(
    model: BoardModel, garden: Workspace
) -> None:
    found = evaluate(model, from_workspace(garden), POLICY)
    remove, protect = found.decisions[Ought.REMOVE], found.decisions[Ought.PROTECT]
    assert sum(sum(counts.values()) for counts in found.decisions.values()) == 126
    assert remove[Action.TREAT] > 0.5 * sum(remove.values())
    assert protect[Action.TREAT] <= 2
    assert found.decisions[Ought.BARE][Action.TREAT] == 0


def test_a_gate_is_scored_by_what_was_drawn(model: BoardModel, garden: Workspace) -> None:
    """Reference: the published index in fractions (Meyer & Neto 2008) over the drawn pixels.

    The toy garden's grain makes a sixth of its bare pixels green, hence the high threshold.
    """
    least_green = 0.22
    gate = evaluate(model, from_workspace(garden), POLICY, least_green=least_green).gate
    assert gate is not None
    (site,) = model.card.held_out
    place = ("north", "south", "east", "west").index(site)
    skipped = {True: 0, False: 0}
    total = {True: 0, False: 0}
    for i in range(2):
        photo, plants = draw_photo(100 * place + i)
        r, g, b = np.moveaxis(np.asarray(photo, float), 2, 0)
        excess = (2 * g - r - b) - (1.4 * r - g)
        shares = (excess > 1e-9).reshape(ROWS, CELL_PX, COLS, CELL_PX).mean(axis=(1, 3))
        for (row, col), share in np.ndenumerate(shares):
            planted = bool(plants[row, col])
            total[planted] += 1
            skipped[planted] += bool(share < least_green)
    assert 0 < skipped[False] <= total[False]
    assert (gate.with_plant, gate.with_plant_skipped) == (total[True], skipped[True])
    assert (gate.bare, gate.bare_skipped) == (total[False], skipped[False])


def test_the_gate_is_in_the_table_and_in_the_record(model: BoardModel, garden: Workspace) -> None:
    found = evaluate(model, from_workspace(garden), POLICY, least_green=0.01)
    assert found.gate is not None
    assert f"misses 0 of {found.gate.with_plant} cells with plants" in evaluation_table(found)
    assert evaluation_record(found)["gate"]["least_green"] == 0.01


def test_under_a_policy_that_removes_nothing_nothing_is_treated(
    model: BoardModel, garden: Workspace
) -> None:
    nothing = Policy("nothing", frozenset(), frozenset())
    found = evaluate(model, from_workspace(garden), nothing)
    assert all(counts[Action.TREAT] == 0 for counts in found.decisions.values())


def test_the_record_is_json_and_the_table_names_every_class(
    model: BoardModel, garden: Workspace
) -> None:
    found = evaluate(model, from_workspace(garden), POLICY)
    record = json.loads(json.dumps(evaluation_record(found)))
    assert record["decisions"]["remove"]["treat"] == found.decisions[Ought.REMOVE][Action.TREAT]
    assert record["species"][1]["present"]["precision"] == found.species[1].present.precision
    gated = evaluate(model, from_workspace(garden), POLICY, least_green=0.2, by=ASPECTS,
                     planting=Planting(40, 20, 100))  # fmt: skip
    assert max(map(len, evaluation_table(gated).splitlines())) <= 80
    table = evaluation_table(found)
    assert f"{ANY_PLANT}: any plant at all" in table
    for code in model.card.codes:
        assert f"\n{code} " in table
    assert "one site: intervals come from drawing its 2 photos anew and FLATTER" in table
    by_photo = "held out by photo, not by site. These figures FLATTER"
    assert by_photo not in table
    assert by_photo in evaluation_table(replace(found, split="photo"))


def test_another_garden_is_judged_whole_when_asked(
    model: BoardModel, garden: Workspace, tmp_path: Path
) -> None:
    other = make_garden(tmp_path, toy_photos(["elsewhere"], each=1))
    with pytest.raises(TrainingError, match="has no labels on any site that was held out"):
        evaluate(model, from_workspace(other), POLICY)
    assert evaluate(model, from_workspace(other), POLICY, "all").cells == 63
    with pytest.raises(ModelError, match="learned from these very labels"):
        evaluate(model, from_workspace(garden), POLICY, "all")
    # One label less, and the labels are no longer those: the held-out site gives it away.
    source = from_workspace(garden)
    fewer = replace(source, tiles=source.tiles[1:], digest="other")
    with pytest.raises(ModelError, match="has seen these gardens: a site that was held out"):
        evaluate(model, fewer, POLICY, "all")


def test_tiles_are_decided_on_much_as_their_photos_are(
    model: BoardModel, garden: Workspace
) -> None:
    """An edition has no photos. JPEG and one-by-one resizing may change a cell near a threshold."""
    source = from_workspace(garden)
    by_photo = trial(model, source, POLICY)
    by_tile = trial(model, replace(source, workspace=None), POLICY)
    cells = {(t.photo_name, t.tile.row, t.tile.col): cell for t, cell in by_photo}
    same, differ = 0, []
    for labelled, cell in by_tile:
        other = cells[labelled.photo_name, labelled.tile.row, labelled.tile.col]
        same += cell.decision.action is other.decision.action
        differ.append(np.abs(np.subtract(cell.probabilities, other.probabilities)).mean())
        assert (cell.row, cell.col, cell.species) == (other.row, other.col, cell.species)
    assert len(by_tile) == len(cells) == 126
    assert same >= 120
    assert np.mean(differ) < 0.02
    assert set(source.cameras.values()) == {"toy"}


def test_a_gate_skips_tiles_as_it_skips_cells_of_photos(
    model: BoardModel, garden: Workspace
) -> None:
    source = from_workspace(garden)
    by_photo = evaluate(model, source, POLICY, least_green=0.22).gate
    by_tile = evaluate(model, replace(source, workspace=None), POLICY, least_green=0.22).gate
    assert by_photo is not None
    assert by_tile is not None
    assert abs(by_tile.bare_skipped - by_photo.bare_skipped) <= 6  # JPEG shifts greens a little
    assert by_tile.bare == by_photo.bare


def test_a_photo_that_is_gone_or_changed_is_named(model: BoardModel, tmp_path: Path) -> None:
    other = make_garden(tmp_path, toy_photos(["elsewhere"], each=1))
    path = tmp_path / "photos" / "elsewhere0.png"
    draw_photo(99)[0].save(path)
    with pytest.raises(PhotoError, match="has changed since it was tiled") as caught:
        evaluate(model, from_workspace(other), POLICY, "all")
    assert caught.value.where == str(path)
    path.unlink()
    with pytest.raises(PhotoError, match="is not where it was when it was tiled") as caught:
        evaluate(model, from_workspace(other), POLICY, "all")
    assert caught.value.where == str(path)
    assert "--again" in str(caught.value.fix)


def test_a_model_for_cells_of_another_size_is_refused(model: BoardModel, garden: Workspace) -> None:
    with pytest.raises(ModelError, match="is for cells of 50 mm, these labels are of 40 mm"):
        evaluate(model, replace(from_workspace(garden), cell_mm=40), POLICY)
