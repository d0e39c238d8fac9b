"""A new model against an old one: the same cells, and none that either has learned from."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from toy_garden import BAR, DISC, make_garden, toy_photos, with_card
from typer.testing import CliRunner

from training.evaluation.evaluate import evaluate
from training.evaluation.pairs import Ought
from training.export import Exported
from training.releasing.compare import compare, unseen_by_both, worse_points
from training.releasing.compare_text import comparison_record, comparison_table
from training.sources import from_workspace
from training.verbs import app
from weedset.board.model import BoardModel, open_model
from weedset.errors import ModelError, TrainingError
from weedset.modelcard import ModelCard
from weedset.records import Action, Policy
from weedset.settings import Workspace

POLICY = Policy("beds", frozenset({DISC}), frozenset({BAR}))

Change = Callable[..., BoardModel]


@pytest.fixture(scope="module")
def good(exported: Exported) -> BoardModel:
    return open_model(exported.path)


@pytest.fixture(scope="module")
def bad(worse: Path) -> BoardModel:
    return open_model(worse)


@pytest.fixture
def changed(exported: Exported, tmp_path: Path) -> Change:
    def change(**fields: object) -> BoardModel:
        out = tmp_path / f"{len(list(tmp_path.iterdir()))}.onnx"
        card = replace(exported.card, **{"name": "changed", **fields})  # type: ignore[arg-type]
        return open_model(with_card(exported.path, out, card))

    return change


def test_each_model_scores_as_it_does_by_itself(
    good: BoardModel, bad: BoardModel, garden: Workspace
) -> None:
    found = compare(good, bad, from_workspace(garden), POLICY)
    alone = [evaluate(model, from_workspace(garden), POLICY) for model in (good, bad)]
    for change in found.species:
        for value, evaluation in zip((change.new, change.old), alone, strict=True):
            (score,) = [score for score in evaluation.species if score.code == change.code]
            assert value == score.average_precision
    for ought, both in found.treated.items():
        treated = [evaluation.decisions[ought][Action.TREAT] for evaluation in alone]
        assert [both.both + both.only_new, both.both + both.only_old] == treated
        cells = sum(alone[0].decisions[ought].values())
        assert both.both + both.only_new + both.only_old + both.neither == cells
    assert (found.cells, found.photos, found.sites, found.unit) == (126, 2, 1, "photo")


def test_a_model_that_forgot_what_is_protected_is_worse(
    good: BoardModel, bad: BoardModel, garden: Workspace
) -> None:
    assert worse_points(compare(good, bad, from_workspace(garden), POLICY)) == ()
    found = compare(bad, good, from_workspace(garden), POLICY)
    reasons = worse_points(found)
    assert any(f"tells {BAR}, which the policy protects, worse" in reason for reason in reasons)
    (bar,) = [change for change in found.species if change.code == BAR]
    assert bar.range is not None
    assert bar.range.high < 0
    # The policy removes discs: to tell them worse is no harm.
    free = compare(
        bad, good, from_workspace(garden), Policy("none", frozenset({BAR, DISC}), frozenset())
    )
    assert worse_points(free) == ()


def test_what_the_comparison_says(good: BoardModel, bad: BoardModel, garden: Workspace) -> None:
    found = compare(bad, good, from_workspace(garden), POLICY)
    text = comparison_table(found)
    assert max(map(len, text.splitlines())) <= 80
    assert "126 labelled cells of 2 photos of 1 site" in text
    assert "FLATTERS" in text  # of fewer than three sites
    assert "WORSE: the new model tells DAUCS" in text
    assert re.search(r"^  to be protected +\d", text, re.MULTILINE)  # as `evaluate` calls them
    record = json.loads(json.dumps(comparison_record(found)))
    assert record["record"] == "comparison"
    assert record["worse"]
    assert set(record["treated"]) == set(Ought)
    better = comparison_table(compare(good, bad, from_workspace(garden), POLICY))
    assert "Nothing that the policy protects is worse off with the new model" in better


def test_models_of_one_name_are_told_apart(
    good: BoardModel, garden: Workspace, changed: Change
) -> None:
    twin = changed(name=good.card.name, made_on="2020-01-01")
    text = comparison_table(compare(twin, good, from_workspace(garden), POLICY))
    assert f"toy {twin.digest[:12]} (new) against toy {good.digest[:12]} (old), on" in text


def test_from_three_sites_on_sites_are_drawn_anew(
    good: BoardModel, bad: BoardModel, tmp_path: Path
) -> None:
    other = make_garden(tmp_path, toy_photos(("elm", "oak", "ash"), each=1))
    found = compare(good, bad, from_workspace(other), POLICY, unseen=True)
    assert (found.unit, found.sites, found.cells) == ("site", 3, 189)
    assert "resampling 3 sites" in comparison_table(found)
    one = replace(found, species=tuple(replace(item, range=None) for item in found.species))
    assert f"No interval is told of {DISC}, {BAR}" in comparison_table(one)
    with pytest.raises(TrainingError, match="has no labels on any site") as caught:
        compare(good, bad, from_workspace(other), POLICY)
    assert "--unseen" in caught.value.fix


def test_only_what_both_were_kept_from_counts(
    garden: Workspace, exported: Exported, tmp_path: Path
) -> None:
    source = from_workspace(garden)
    tiles = source.tiles
    (held_out,) = exported.card.held_out
    more = replace(exported.card, name="more", held_out=("north", "south", "east", "west"))
    photo = next(tile.tile.photo_digest for tile in tiles if tile.site == held_out)
    by_photo = replace(exported.card, name="photos", split="photo", held_out=(photo,))

    def sites(new: ModelCard, old: ModelCard) -> set[str]:
        return {tile.site for tile in unseen_by_both(source, (new, old), False)}

    assert sites(exported.card, more) == sites(more, exported.card) == {held_out}
    chosen = unseen_by_both(source, (exported.card, by_photo), False)
    assert {tile.tile.photo_digest for tile in chosen} == {photo}
    other = next(name for name in more.held_out if name != held_out)
    apart = replace(exported.card, name="apart", held_out=(other,))
    with pytest.raises(TrainingError, match="held out from both models") as caught:
        sites(exported.card, apart)
    assert other in caught.value.fix
    # Whoever learned from these very labels has seen something of them, whatever is said.
    liar = replace(exported.card, held_out=("nowhere",))
    with pytest.raises(TrainingError, match="no labels on any site"):
        unseen_by_both(source, (liar, exported.card), True)


def test_models_without_anything_in_common_are_refused(
    good: BoardModel, garden: Workspace, changed: Change
) -> None:
    with pytest.raises(ModelError, match="for cells of 60 mm"):
        compare(good, changed(cell_mm=60.0), from_workspace(garden), POLICY)
    with pytest.raises(ModelError, match="same file"):
        compare(good, good, from_workspace(garden), POLICY)
    classes = good.card.classes
    others = [replace(classes[0], code=code) for code in ("LACSA", "BEAVX", "STEME")]
    stranger = changed(classes=tuple(others))
    with pytest.raises(ModelError, match="no species in common") as caught:
        compare(good, stranger, from_workspace(garden), POLICY)
    assert "LACSA" in str(caught.value)


def test_a_species_that_is_lost_is_told(
    good: BoardModel, garden: Workspace, changed: Change
) -> None:
    renamed = [
        replace(item, code="LACSA") if item.code == BAR else item for item in good.card.classes
    ]
    found = compare(changed(classes=tuple(renamed)), good, from_workspace(garden), POLICY)
    assert (found.lost, found.gained, found.lost_protected) == ((BAR,), ("LACSA",), (BAR,))
    assert "no longer tells DAUCS, which the policy protects" in worse_points(found)
    removed = Policy("none", frozenset({BAR, DISC}), frozenset())
    assert (
        compare(
            changed(classes=tuple(renamed)), good, from_workspace(garden), removed
        ).lost_protected
        == ()
    )


def test_the_verb(exported: Exported, worse: Path, garden: Workspace, tmp_path: Path) -> None:
    policy = tmp_path / "beds.toml"
    policy.write_text(f'name = "beds"\nremove = ["{DISC}"]\n')
    words = ["compare", str(exported.path), str(worse), "-w", str(garden.root)]
    done = CliRunner().invoke(app, [*words, "--policy", str(policy)])
    assert done.exit_code == 0
    assert "toy (new) against worse (old)" in done.stdout
    assert "no safety system" in done.stderr
    done = CliRunner().invoke(app, [*words, "--policy", str(policy), "--json"])
    assert json.loads(done.stdout)["old"] == "worse"
