from dataclasses import replace

import pytest
from toy_garden import toy_card

from training.evaluation.judging import judge
from training.evaluation.pairs import Ought, what_ought
from training.metrics import upper_bound
from weedset.board.classify import ClassifiedCell
from weedset.board.gate import Gate
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

POLICY = Policy("beds", remove=frozenset({"CHEAL", "STEME"}), protect=frozenset({"DAUCS"}))

CARD = toy_card(
    ClassCard(ANY_PLANT, 0.9, 0.5, 0.1), ClassCard("CHEAL", None, 0.5, 0.1), split="photo"
)


def said(*present: str, doubtful: str = "", unknown: bool = False) -> Statement:
    plants = Verdict.PLANTS if present or doubtful or unknown else Verdict.BARE
    return Statement(
        "ann", Origin.PAGE, plants, frozenset(present), frozenset(doubtful.split()), unknown
    )


def labelled(statement: Statement) -> LabelledTile:
    tile = Tile("d" * 64, 0, 0, Footprint(0, 0, 50, 50), 1, 1, 0, 1)
    looked_for = frozenset({"CHEAL", "DAUCS", "STEME"})
    return LabelledTile(tile, "photo.jpg", "b", "north", None, looked_for, statement)


@pytest.mark.parametrize(
    ("statement", "ought"),
    [
        (said(), Ought.BARE),
        (said("CHEAL"), Ought.REMOVE),
        (said("CHEAL", "STEME"), Ought.REMOVE),
        (said("CHEAL", doubtful="STEME"), Ought.REMOVE),
        (said("DAUCS"), Ought.PROTECT),
        (said("CHEAL", "DAUCS"), Ought.PROTECT),
        (said("POLAV"), Ought.PROTECT),  # in no list: protected
        (said("CHEAL", unknown=True), Ought.PROTECT),
        (said("CHEAL", doubtful="DAUCS"), None),
        (said(doubtful="CHEAL"), None),
        (replace(said(), verdict=Verdict.CANNOT_TELL), None),
    ],
)
def test_one_plant_to_protect_protects_the_cell(statement: Statement, ought: Ought | None) -> None:
    assert what_ought(labelled(statement), POLICY) is ought


def test_under_a_policy_that_contradicts_itself_protection_wins() -> None:
    both = Policy("both", frozenset({"CHEAL"}), frozenset({"CHEAL"}))
    assert what_ought(labelled(said("CHEAL")), both) is Ought.PROTECT


# R's binom.test(x, n, alternative = "less", conf.level = 0.95), the exact bound, and the
# rule of three (0 of 300: below 1 in 100).
@pytest.mark.parametrize(
    ("harms", "trials", "bound"),
    [
        (0, 10, 0.2588656),
        (0, 100, 0.02951),
        (1, 100, 0.04656),
        (0, 300, 0.00994),
        (3, 300, 0.02564),
        (5, 5, 1.0),
    ],
)
def test_the_bound_on_harm_is_the_exact_one(harms: int, trials: int, bound: float) -> None:
    assert upper_bound(harms, trials) == pytest.approx(bound, abs=5e-6)


def test_without_protected_cells_there_is_no_bound() -> None:
    assert upper_bound(0, 0) is None


def test_decisions_are_counted_by_what_ought_to_be() -> None:
    def cell(action: Action, *probabilities: float) -> ClassifiedCell:
        return ClassifiedCell(0, 0, 0, 0, probabilities, Decision(action, ""))

    pairs = [
        (labelled(said("CHEAL")), cell(Action.TREAT, 0.9, 0.9)),
        (labelled(said("CHEAL")), cell(Action.UNSURE, 0.8, 0.2)),
        (labelled(said("DAUCS")), cell(Action.TREAT, 0.9, 0.8)),
        (labelled(said("DAUCS")), cell(Action.LEAVE, 0.7, 0.1)),
        (labelled(said()), cell(Action.LEAVE)),  # too coarse: the model was not asked
        (labelled(said(doubtful="CHEAL")), cell(Action.TREAT, 0.9, 0.9)),
    ]
    found = judge(pairs, CARD, "digest", POLICY)
    assert found.cells == 6
    assert found.scores.not_told == 1
    assert found.decisions[Ought.REMOVE] == {"treat": 1, "leave": 0, "unsure": 1}
    assert found.decisions[Ought.PROTECT] == {"treat": 1, "leave": 1, "unsure": 0}
    assert found.decisions[Ought.BARE] == {"treat": 0, "leave": 1, "unsure": 0}
    assert found.scores.harm.upper_95 == pytest.approx(0.974679, abs=1e-6)  # R: 1 of 2, sqrt(0.95)
    plant, cheal = found.species
    assert (plant.present.right, plant.present.wrong, plant.present.missed) == (4, 0, 0)
    assert plant.average_precision == 1
    assert plant.treat is not None
    assert (plant.treat.right, plant.treat.missed) == (2, 2)
    assert cheal.treat is None
    # CHEAL at 0.5: called at 0.9 (right) and at 0.8 (a carrot); missed at 0.2; doubt left out.
    assert (cheal.present.right, cheal.present.wrong, cheal.present.missed) == (1, 1, 1)


def test_the_gate_is_scored_by_labels_not_by_what_the_model_says() -> None:
    """0 of 100 missed: below 2.95 % with 95 % confidence (Clopper & Pearson 1934)."""

    def cell(skipped: bool) -> ClassifiedCell:
        decision = Decision(Action.LEAVE, "")
        return ClassifiedCell(0, 0, 0, 0, () if skipped else (0, 0), decision, skipped=skipped)

    pairs = [(labelled(said("CHEAL")), cell(False))] * 99
    pairs += [(labelled(said(unknown=True)), cell(False))]
    pairs += [(labelled(said()), cell(True))] * 30 + [(labelled(said()), cell(False))] * 10
    pairs += [(labelled(said(doubtful="CHEAL")), cell(True))]  # may be a plant or not
    score = judge(pairs, CARD, "d", POLICY, Gate(0.01)).gate
    assert score is not None
    assert (score.with_plant, score.with_plant_skipped) == (100, 0)
    assert (score.bare, score.bare_skipped) == (40, 30)
    assert score.missed_upper_95 == pytest.approx(0.0295, abs=5e-5)
    assert judge(pairs, CARD, "d", POLICY).gate is None
