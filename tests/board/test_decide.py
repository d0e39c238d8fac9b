"""The rule, step by step, and the policies it takes. The order is weedset's own."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tiny_model import CARD

from weedset.board.decide import (
    TREAT_NOTHING,
    Rule,
    outside_bound,
    read_policy,
    scale_fits,
    treats_nothing,
)
from weedset.errors import ModelError, PolicyError
from weedset.modelcard import HarmBound, ModelCard, card_from_json, card_to_json
from weedset.records import Action, Decision, Policy

# Classes: CHEAL (treat .90, present .5, doubt .2), DAUCS (.95, .5, .1),
# STEME (never, .6, .3), 1PLAK (never, .7, .4).
CARROT_BED = Policy("carrot bed", frozenset({"CHEAL", "STEME"}), frozenset({"DAUCS"}))
EATS_CHEAL = Policy("eats it", frozenset({"STEME"}), frozenset())
ONLY_DAUCS = Policy("volunteer carrots", frozenset({"DAUCS"}), frozenset())


def decide(card: ModelCard, policy: Policy, probabilities: Sequence[float]) -> Decision:
    return Rule(card, policy).weigh(probabilities)[0]


TABLE = [
    # 1: a protected species, or a doubt of one, before all else
    (CARROT_BED, (0.99, 0.43, 0.0, 0.9), Action.LEAVE, "DAUCS may be here (0.43)"),
    (CARROT_BED, (0.99, 0.97, 0.0, 0.9), Action.LEAVE, "DAUCS is here (0.97)"),
    (CARROT_BED, (0.99, 0.10, 0.0, 0.9), Action.LEAVE, "DAUCS may be here (0.10)"),
    (EATS_CHEAL, (0.20, 0.00, 0.9, 0.9), Action.LEAVE, "CHEAL may be here (0.20)"),
    (EATS_CHEAL, (0.60, 0.30, 0.9, 0.9), Action.LEAVE, "CHEAL is here (0.60)"),
    (EATS_CHEAL, (0.50, 0.00, 0.9, 0.9), Action.LEAVE, "CHEAL is here (0.50)"),
    # 2: a species to remove, sure enough
    (CARROT_BED, (0.90, 0.09, 0.0, 0.9), Action.TREAT, "CHEAL is here (0.90)"),
    (CARROT_BED, (0.93, 0.00, 0.9, 0.9), Action.TREAT, "CHEAL is here (0.93)"),
    (ONLY_DAUCS, (0.19, 0.95, 0.2, 0.9), Action.TREAT, "DAUCS is here (0.95)"),
    # 3: not sure enough, never to be treated, or a plant without a name
    (CARROT_BED, (0.89, 0.09, 0.0, 0.9), Action.UNSURE, "CHEAL is here (0.89)"),
    (CARROT_BED, (0.20, 0.09, 0.0, 0.0), Action.UNSURE, "CHEAL may be here (0.20)"),
    (CARROT_BED, (0.00, 0.00, 1.0, 0.9), Action.UNSURE, "STEME is here (1.00)"),
    (CARROT_BED, (0.00, 0.00, 0.0, 0.7), Action.UNSURE, "some plant is here (0.70)"),
    (TREAT_NOTHING, (0.00, 0.00, 0.0, 0.7), Action.UNSURE, "some plant is here (0.70)"),
    # 4: nothing
    (CARROT_BED, (0.19, 0.09, 0.29, 0.69), Action.LEAVE, "nothing to remove"),
    (TREAT_NOTHING, (0.0, 0.0, 0.0, 0.0), Action.LEAVE, "nothing to remove"),
    (TREAT_NOTHING, (1.0, 0.0, 0.0, 1.0), Action.LEAVE, "CHEAL is here (1.00)"),
]


@pytest.mark.parametrize(("policy", "probabilities", "action", "reason"), TABLE)
def test_rule_table(
    policy: Policy, probabilities: tuple[float, ...], action: Action, reason: str
) -> None:
    decision = decide(CARD, policy, probabilities)
    assert decision.action is action
    assert decision.reason.startswith(reason)


def test_a_species_that_is_never_treated_says_so() -> None:
    reason = decide(CARD, CARROT_BED, (0.0, 0.0, 1.0, 0.0)).reason
    assert "never found safe enough" in reason


@pytest.mark.parametrize("odd", [math.nan, math.inf, -math.inf, -0.01, 1.01, 7.3])
@pytest.mark.parametrize("place", range(4))
def test_what_is_no_probability_is_left_alone(odd: float, place: int) -> None:
    probabilities = [0.99, 0.0, 0.0, 0.99]
    probabilities[place] = odd
    decision = decide(CARD, CARROT_BED, probabilities)
    assert decision.action is Action.LEAVE
    assert "no probability" in decision.reason


def test_float32_rounding_at_the_ends_is_no_oddity() -> None:
    assert decide(CARD, CARROT_BED, (1.0000001, -1e-7, 0, 0)).action is Action.TREAT


def test_wrong_number_of_probabilities_is_a_bug() -> None:
    with pytest.raises(ValueError, match="3 probabilities for 4 classes"):
        decide(CARD, CARROT_BED, (0.0, 0.0, 0.0))


any_probability = st.floats(0, 1) | st.sampled_from([0.1, 0.2, 0.3, 0.9, 0.95, 1.0])
any_number = any_probability | st.floats()
any_policy = st.builds(
    Policy,
    st.just("any"),
    st.frozensets(st.sampled_from(CARD.codes)),
    st.frozensets(st.sampled_from(CARD.codes)),
)


@given(any_policy, st.tuples(*[any_number] * 4))
def test_never_treats_where_a_protected_species_may_be(
    policy: Policy, probabilities: tuple[float, ...]
) -> None:
    decision, species = Rule(CARD, policy).weigh(probabilities)
    protected = [
        item.code != "1PLAK" and (item.code not in policy.remove or item.code in policy.protect)
        for item in CARD.classes
    ]
    if any(
        guard and not p < item.doubt_at
        for guard, item, p in zip(protected, CARD.classes, probabilities, strict=True)
    ):
        assert decision.action is Action.LEAVE
    if decision.action is Action.TREAT:
        assert species in policy.remove - policy.protect
        chosen = CARD.codes.index(species)
        assert CARD.classes[chosen].treat_at is not None
        assert probabilities[chosen] >= CARD.classes[chosen].treat_at
        assert all(-0.000001 <= p <= 1.000001 for p in probabilities)


@given(st.tuples(*[any_number] * 4))
def test_without_a_policy_nothing_is_treated(probabilities: tuple[float, ...]) -> None:
    assert decide(CARD, TREAT_NOTHING, probabilities).action is not Action.TREAT


def test_scale_may_be_a_quarter_coarser_and_as_fine_as_it_likes() -> None:
    assert scale_fits(CARD, 0.01) is None
    assert scale_fits(CARD, 2.0) is None
    reason = scale_fits(CARD, 2.01)
    assert reason is not None
    assert reason.startswith("too coarse")


GOOD = 'name = "bed"\nremove = ["CHEAL"]\n'


def policy_file(folder: Path, text: str) -> Path:
    path = folder / "policy.toml"
    path.write_text(text, "utf-8")
    return path


def test_reads_a_policy(tmp_path: Path) -> None:
    path = policy_file(tmp_path, GOOD + 'protect = ["DAUCS"]\n')
    assert read_policy(path, CARD.codes) == Policy(
        "bed", frozenset({"CHEAL"}), frozenset({"DAUCS"})
    )
    assert read_policy(policy_file(tmp_path, GOOD), CARD.codes).protect == frozenset()


@pytest.mark.parametrize(
    ("text", "field", "says"),
    [
        ('name = "x"\nremvoe = ["CHEAL"]\n', "remove", "is missing"),
        (GOOD + 'protcet = ["DAUCS"]\n', "protcet", "not a known field"),
        ('remove = ["CHEAL"]\n', "name", "is missing"),
        ('name = " "\nremove = []\n', "name", "should be a text"),
        ('name = "x"\nremove = "CHEAL"\n', "remove", "list of texts"),
        ('name = "x"\nremove = [1, 2]\n', "remove", "list of texts"),
        ('name = "x"\nremove = ["STEMO"]\n', "remove", "cannot tell"),
        ('name = "x"\nremove = ["1PLAK"]\n', "remove", "any plant"),
        (GOOD + 'protect = ["1PLAK"]\n', "protect", "any plant"),
        (GOOD + 'protect = ["LACSA"]\n', "protect", "cannot tell"),
        (GOOD + 'protect = ["CHEAL"]\n', "protect", "as does remove"),
        ("name = [\n", "", "not valid TOML"),
    ],
)
def test_refuses_a_policy(tmp_path: Path, text: str, field: str, says: str) -> None:
    path = policy_file(tmp_path, text)
    with pytest.raises(PolicyError) as caught:
        read_policy(path, CARD.codes)
    assert str(path) in caught.value.where
    assert field in caught.value.where
    assert says in caught.value.what


def test_a_near_miss_is_suggested(tmp_path: Path) -> None:
    with pytest.raises(PolicyError) as caught:
        read_policy(policy_file(tmp_path, 'name = "x"\nremove = ["cheal"]\n'), CARD.codes)
    assert caught.value.fix == "did you mean CHEAL?"


@pytest.mark.parametrize(
    ("text", "field", "fix"),
    [
        (
            'name = "x"\nremove = ["1PLAK"]\n',
            "remove",
            "list species: what is not listed is protected",
        ),
        (
            'name = "x"\nremove = ["qqq"]\n',
            "remove",
            "take it out for this model, or train with more examples of it; "
            "the model knows CHEAL, DAUCS, STEME",
        ),
        (
            GOOD + 'protect = ["qqq"]\n',
            "protect",
            "train with more examples of it: this model cannot protect what it cannot tell; "
            "the model knows CHEAL, DAUCS, STEME",
        ),
        (
            'name = "a camera"\n',
            "remove",
            'name a policy, a TOML file such as: name = "beds" and, on a line of its own, '
            'remove = ["CHEAL"]; what it does not list is left alone',
        ),
        (GOOD + 'protcet = ["DAUCS"]\n', "protcet", "did you mean 'protect'?"),
        (GOOD + 'protect = ["CHEAL"]\n', "protect", "keep each species in one of the two lists"),
    ],
)
def test_a_refused_policy_says_what_to_do(tmp_path: Path, text: str, field: str, fix: str) -> None:
    path = policy_file(tmp_path, text)
    with pytest.raises(PolicyError) as caught:
        read_policy(path, CARD.codes)
    assert caught.value.where == f"{path}: {field}"
    assert caught.value.fix == fix


def test_all_that_stand_in_both_lists_are_named(tmp_path: Path) -> None:
    both = 'name = "x"\nremove = ["STEME", "CHEAL"]\nprotect = ["CHEAL", "DAUCS", "STEME"]\n'
    with pytest.raises(PolicyError, match="lists CHEAL, STEME, as does remove"):
        read_policy(policy_file(tmp_path, both), CARD.codes)


def test_a_rule_names_classes_as_its_card_does() -> None:
    assert Rule(CARD, CARROT_BED).codes == CARD.codes


def test_absent_policy_file(tmp_path: Path) -> None:
    with pytest.raises(PolicyError, match="no such file"):
        read_policy(tmp_path / "absent.toml", CARD.codes)


BOUND = HarmBound(0.05, 0.95, ("CHEAL", "STEME"), ("north", "south"), 40, "by hand")
BOUNDED = replace(CARD, bound=BOUND)


@pytest.mark.parametrize("probabilities", [row[1] for row in TABLE])
def test_under_its_own_policy_a_bounded_model_decides_by_its_thresholds(
    probabilities: tuple[float, ...],
) -> None:
    assert outside_bound(BOUNDED, CARROT_BED) is None
    assert decide(BOUNDED, CARROT_BED, probabilities) == decide(CARD, CARROT_BED, probabilities)


@pytest.mark.parametrize(
    "remove", [{"CHEAL"}, {"STEME"}, {"DAUCS"}, {"CHEAL", "DAUCS"}, {"CHEAL", "STEME", "DAUCS"}]
)
@given(st.lists(st.floats(0, 1), min_size=4, max_size=4))
def test_under_another_policy_a_bounded_model_treats_nothing(
    remove: set[str], probabilities: list[float]
) -> None:
    policy = Policy("another", frozenset(remove), frozenset())
    free, bounded = decide(CARD, policy, probabilities), decide(BOUNDED, policy, probabilities)
    assert bounded.action is not Action.TREAT
    if free.action is Action.TREAT:
        assert bounded.action is Action.UNSURE
        assert "bound on harm holds for removing CHEAL, STEME, not" in bounded.reason
    else:
        assert bounded == free


def test_what_is_outside_a_bound_names_both_choices_of_species() -> None:
    policy = Policy("another", frozenset({"DAUCS", "CHEAL", "STEME"}), frozenset({"STEME"}))
    assert outside_bound(BOUNDED, policy) == (
        "the model's bound on harm holds for removing CHEAL, STEME, not CHEAL, DAUCS"
    )


NEVER = replace(CARD, classes=tuple(replace(item, treat_at=None) for item in CARD.classes))


@pytest.mark.parametrize(
    ("card", "remove", "protect", "why"),
    [
        (CARD, {"CHEAL", "STEME"}, set(), None),
        (CARD, {"CHEAL", "DAUCS"}, set(), None),
        (BOUNDED, {"CHEAL", "STEME"}, set(), None),
        (CARD, set(), {"CHEAL"}, "the policy removes nothing"),
        (CARD, {"CHEAL"}, {"CHEAL"}, "the policy removes nothing"),
        (CARD, {"1PLAK"}, set(), "the policy removes nothing"),
        (BOUNDED, {"CHEAL"}, set(), "the model's bound on harm holds for removing"),
        (NEVER, {"CHEAL", "STEME"}, set(), "the model never treats CHEAL, STEME: the labels did"),
        (
            replace(NEVER, bound=BOUND),
            {"CHEAL", "STEME"},
            set(),
            "the model never treats CHEAL, STEME: the labels could not support its bound",
        ),
        (CARD, {"STEME"}, set(), "the model never treats STEME: the labels did not show"),
    ],
)
@given(st.lists(st.floats(0, 1), min_size=4, max_size=4))
def test_whether_a_model_treats_anything_at_all_is_known_beforehand(
    card: ModelCard,
    remove: set[str],
    protect: set[str],
    why: str | None,
    probabilities: list[float],
) -> None:
    policy = Policy("p", frozenset(remove), frozenset(protect))
    said = treats_nothing(card, policy)
    if why is None:
        assert said is None
        return
    assert said is not None
    assert said.startswith(why)
    assert decide(card, policy, probabilities).action is not Action.TREAT


def test_a_card_with_its_bound_is_read_as_it_was_written() -> None:
    assert card_from_json(card_to_json(BOUNDED), "m") == BOUNDED
    older = json.loads(card_to_json(CARD))
    del older["bound"], older["temperature"]
    assert card_from_json(json.dumps({**older, "card_version": 1}), "m") == CARD


@pytest.mark.parametrize(
    ("field", "value"), [("at_most", 0), ("at_most", 1), ("confidence", 95), ("remove", ["POAAN"])]
)
def test_a_bound_that_does_not_fit_the_card_is_refused(field: str, value: object) -> None:
    card = json.loads(card_to_json(BOUNDED))
    card["bound"][field] = value
    with pytest.raises(ModelError) as caught:
        card_from_json(json.dumps(card), "m.onnx")
    assert caught.value.where.startswith("m.onnx: card: bound")
