"""Scores of a table of outcomes: scikit-learn, and hand arithmetic."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from sklearn.metrics import average_precision_score, precision_score, recall_score, roc_auc_score
from toy_garden import toy_card

from training.evaluation.evaluation_text import decision_lines, figure, row_lines
from training.evaluation.intervals import Interval
from training.evaluation.outcomes import Outcomes, pooled, tabulate
from training.evaluation.pairs import Ought
from training.evaluation.per_row import Planting, forecast
from training.evaluation.reliability_plot import write_reliability
from training.evaluation.scores import score
from weedset.board.classify import ClassifiedCell
from weedset.board.decide import TREAT_NOTHING
from weedset.errors import SettingsError
from weedset.modelcard import ClassCard
from weedset.records import (
    ANY_PLANT,
    Action,
    Decision,
    Footprint,
    LabelledTile,
    Origin,
    Policy,
    Statement,
    Tile,
    Verdict,
)

POLICY = Policy("beds", remove=frozenset({"CHEAL"}), protect=frozenset({"DAUCS"}))
CARD = toy_card(
    ClassCard(ANY_PLANT, None, 0.5, 0.1),
    ClassCard("CHEAL", 0.8, 0.5, 0.1),
    ClassCard("DAUCS", None, 0.4, 0.1),
)


def pair(
    site: str,
    present: str,
    probabilities: tuple[float, ...],
    action: Action = Action.LEAVE,
    unknown: bool = False,
    stages: tuple[tuple[str, int], ...] = (),
    photo: int = 0,
) -> tuple[LabelledTile, ClassifiedCell]:
    tile = Tile(f"{site}{photo}", 0, 0, Footprint(0, 0, 50, 50), 1, 1, 0, 1)
    plants = frozenset(present.split())
    verdict = Verdict.PLANTS if plants or unknown else Verdict.BARE
    said = Statement("ann", Origin.PAGE, verdict, plants, frozenset(), unknown, stages)
    looked_for = frozenset({"CHEAL", "DAUCS"})
    labelled = LabelledTile(tile, "p.jpg", "b", site, None, looked_for, said)
    return labelled, ClassifiedCell(0, 0, 0, 0, probabilities, Decision(action, ""))


PAIRS = [
    pair("north", "CHEAL", (0.9, 0.9, 0.1), Action.TREAT, stages=(("CHEAL", 1),)),
    pair("north", "CHEAL", (0.9, 0.6, 0.1), Action.UNSURE, stages=(("CHEAL", 2),)),
    pair("north", "DAUCS", (0.9, 0.2, 0.8)),
    pair("north", "CHEAL DAUCS", (0.9, 0.9, 0.9)),
    pair("south", "DAUCS", (0.8, 0.85, 0.05), Action.TREAT, stages=(("DAUCS", 1),)),
    pair("south", "", (0.1, 0.0, 0.0)),
    pair("south", "CHEAL", (0.3, 0.2, 0.1)),
    pair("south", "POAAN", (0.7, 0.3, 0.2)),
    pair("south", "", (0.9, 0.1, 0.1), unknown=True),
    pair("south", "DAUCS", ()),  # too coarse: the model was not asked
]


@pytest.fixture(scope="module")
def table() -> Outcomes:
    return tabulate(PAIRS, CARD, POLICY, {"north0": "cart", "south0": "phone"})


def test_scores_are_scikit_learns(table: Outcomes) -> None:
    found = score(table).species
    truth = np.array([1, 1, 0, 1, 0, 0, 1, 0, 0], bool)  # CHEAL, but for the nameless plant
    p = np.array([0.9, 0.6, 0.2, 0.9, 0.85, 0.0, 0.2, 0.3, 0.0], np.float32)
    cheal = found[1]
    assert cheal.average_precision == pytest.approx(average_precision_score(truth, p))
    assert cheal.present.precision == pytest.approx(precision_score(truth, p >= 0.5))
    assert cheal.present.recall == pytest.approx(recall_score(truth, p >= 0.5))
    assert cheal.treat is not None
    assert cheal.treat.precision == pytest.approx(precision_score(truth, p >= 0.8))
    assert cheal.treat.recall == pytest.approx(recall_score(truth, p >= 0.8))
    assert found[2].treat is None


def test_shares_by_hand(table: Outcomes) -> None:
    found = score(table)
    # Protected: three carrots, carrot and goosefoot, meadow grass, the nameless plant.
    assert (found.harm.hits, found.harm.cells) == (1, 6)
    assert (found.crop_harm.hits, found.crop_harm.cells) == (1, 4)
    # To be treated: goosefoot alone. The one beside a carrot is a weed, but not to be treated.
    assert (found.treated.hits, found.treated.cells) == (1, 3)
    assert (found.weeds.hits, found.weeds.cells, found.weeds_protected) == (1, 4, 1)
    assert found.decisions == {
        "remove": {"treat": 1, "leave": 1, "unsure": 1},
        "protect": {"treat": 1, "leave": 5, "unsure": 0},
        "bare": {"treat": 0, "leave": 1, "unsure": 0},
    }
    assert found.harm.upper_95 == pytest.approx(0.5818, abs=1e-4)  # R: binom.test(1, 6, "less")
    assert (found.sites, found.photos, found.cells, found.unit) == (2, 2, 10, "site")
    assert "far too narrow" in str(found.caution)


def test_an_interval_is_rounded_outwards() -> None:
    """So that it holds the figure beside it: 0.999 does not lie in [1.00-1.00]."""
    assert figure(0.999, Interval(0.9986, 0.9994, 100)) == "0.999 [0.99-1.00]"
    assert figure(0.29, Interval(0.29, 0.29, 100)) == "0.290 [0.29-0.29]"
    assert figure(0.5, None) == "0.500"
    assert figure(None, None) == "-"


def test_the_table_counts_each_cell_once_and_tells_one_total(table: Outcomes) -> None:
    doubtful = pair("south", "CHEAL", (0.9, 0.9, 0.5), Action.TREAT)
    said = replace(doubtful[0].statement, doubtful=frozenset({"DAUCS"}))
    told = [*PAIRS, (replace(doubtful[0], statement=said), doubtful[1])]
    found = score(tabulate(told, CARD, POLICY))
    lines = list(decision_lines(found, "beds"))
    assert lines[1:7] == [
        "cells                  treat   leave  unsure  share treated",
        "  to be treated            1       1       1  0.333 [0.00-0.50]",
        "  to be protected          1       5       0  0.167 [0.00-0.25]",
        "  bare, to be left         0       1       0  0.000",
        "to be protected, though a plant to remove is there too: 1",
        "left out, since their label does not tell what to do: 1",
    ]
    rows = [[int(figure) for figure in line.split()[-5:-2]] for line in lines[2:4]]
    assert [sum(row) for row in rows] == [found.treated.cells, found.harm.cells]
    assert max(map(len, lines)) <= 80
    assert any(line.startswith("harm: ") for line in lines)
    # Where nothing is to be removed there is no harm to be bounded.
    nothing = score(tabulate([pair("north", "DAUCS", (0.9, 0.1, 0.9))], CARD, TREAT_NOTHING))
    assert not [line for line in decision_lines(nothing, "none") if line.startswith("harm: ")]


def test_plants_that_the_model_cannot_name_are_told_apart(table: Outcomes) -> None:
    found = score(table).strange
    assert found is not None
    # Meadow grass and the nameless plant, against the seven cells with named plants.
    nameless = [0.7 * 0.7, 0.9 * 0.9]
    named = [0.9 * 0.1, 0.9 * 0.4, 0.9 * 0.2, 0.9 * 0.1, 0.8 * 0.15, 0.3 * 0.8, 0.0]
    expected = roc_auc_score([1] * 2 + [0] * 7, nameless + named)
    assert found.found == pytest.approx(expected)
    assert (found.treated.hits, found.treated.cells) == (0, 2)


def test_without_nameless_plants_nothing_is_said_of_them(table: Outcomes) -> None:
    assert score(table.where(~table.strange)).strange is None
    assert score(table.where(table.strange)).strange == replace(
        score(table).strange,  # type: ignore[type-var]
        found=None,
        treated=score(table.where(table.strange)).harm,
    )


def test_parts_by_site_camera_and_stage(table: Outcomes) -> None:
    parts = {(part.by, part.name): part for part in score(table, ["site", "camera", "stage"]).parts}
    assert set(parts) == {
        ("site", "north"), ("site", "south"), ("camera", "cart"), ("camera", "phone"),
        ("stage", "1"), ("stage", "2"), ("stage", "not stated"),
    }  # fmt: skip
    north = parts["site", "north"]
    assert (north.cells, north.harm.hits, north.harm.cells, north.sites) == (4, 0, 2, 1)
    assert parts["camera", "phone"].harm == parts["site", "south"].harm
    young = parts["stage", "1"]  # one goosefoot, treated, and one carrot, treated
    assert (young.cells, young.treated.hits, young.harm.hits) == (2, 1, 1)
    assert [item.code for item in young.species] == ["CHEAL", "DAUCS"]
    cheal = young.species[0]
    # Goosefoot at other stages is left out, carrots and bare ground stay what it is not.
    assert (cheal.present.right, cheal.present.missed, cheal.present.wrong) == (1, 0, 1)
    older = parts["stage", "2"].species[0]
    assert (older.present.right, older.treat.missed if older.treat else None) == (1, 1)


def test_models_of_other_classes_are_pooled_over_all_of_them() -> None:
    other = replace(CARD, classes=(CARD.classes[0], CARD.classes[2]))
    codes = CARD.codes
    lacks = tabulate([pair("east", "CHEAL", (0.9, 0.3))], other, POLICY, codes=codes)
    assert lacks.found.tolist() == [pytest.approx([0.9, 0.0, 0.3])]
    assert lacks.treats == (False, False, False)
    both = pooled([lacks, tabulate(PAIRS[:1], CARD, POLICY, codes=codes)])
    cheal = score(both).species[1]
    assert (cheal.present.right, cheal.present.missed) == (1, 1)
    assert both.treats == (False, True, False)


def test_a_class_that_is_nowhere_has_no_scores(table: Outcomes) -> None:
    bare = table.where(np.asarray(table.ought == Ought.BARE))
    found = score(bare)
    assert found.species[1].average_precision is None
    assert found.species[1].average_precision_range is None
    assert found.harm.value is None
    assert found.harm.upper_95 is None


def test_what_scores_mean_along_a_row(table: Outcomes) -> None:
    # By hand: 30 weeds per m2 on 100 m x 0.2 m are 600, of which 3 of 4 are missed; of 15
    # crop plants per m on 100 m one of 4 is hit.
    found = forecast(score(table), Planting(30, 15, 200))
    assert (found.weeds_missed.of, found.weeds_missed.expected) == (600, 450)
    assert (found.crops_hit.of, found.crops_hit.expected) == (1500, 375)
    assert found.by_name
    low, high = found.crops_hit.low, found.crops_hit.high
    assert low is not None
    assert high is not None
    assert low <= 375 <= high
    words = "\n".join(row_lines(found))
    assert "weeds missed      450 of 600 [" in words
    assert "as you said, not measured" in words


def test_without_named_crops_all_that_is_protected_is_crop(table: Outcomes) -> None:
    plain = tabulate(PAIRS, CARD, replace(POLICY, protect=frozenset()))
    found = forecast(score(plain), Planting(30, 15, 200))
    assert not found.by_name
    assert found.crops_hit.expected == pytest.approx(1500 / 6)
    assert "taken for crop" in "\n".join(row_lines(found))
    none = forecast(score(table.where(table.ought == Ought.BARE)), Planting(30, 15, 200))
    assert "cannot be told" in "\n".join(row_lines(none))


def test_a_picture_that_cannot_be_written_is_told(table: Outcomes, tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match=r"written \(no picture ends in '.mp3'\)") as caught:
        write_reliability(score(table).species, tmp_path / "curves.mp3")
    assert "ends in .png" in caught.value.fix
    write_reliability(score(table).species, tmp_path / "curves.svg")
    drawn = (tmp_path / "curves.svg").read_text("utf-8")
    assert drawn.count("probability given") == 3
