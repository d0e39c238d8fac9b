"""scikit-learn is the outside check of every figure here."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sklearn.metrics import (
    average_precision_score,
    confusion_matrix,
    f1_score,
    precision_score,
    recall_score,
)

from training.metrics import average_precision, calls_where, class_card


def drawn(seed: int, n: int = 400, apart: float = 1.5) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    targets = rng.choice(np.array([-1, 0, 1], np.int8), n, p=(0.2, 0.6, 0.2))
    scores = rng.normal(apart * (targets == 1), 1)
    return targets, (1 / (1 + np.exp(-scores))).astype(np.float32)


@pytest.mark.parametrize("seed", range(5))
def test_average_precision_is_that_of_scikit_learn_on_what_is_known(seed: int) -> None:
    targets, probabilities = drawn(seed)
    known = targets >= 0
    expected = average_precision_score(targets[known], probabilities[known])
    assert average_precision(targets, probabilities) == pytest.approx(expected, abs=1e-12)


def test_average_precision_of_the_worked_example_in_scikit_learns_manual() -> None:
    # y_true 0 0 1 1, scores 0.1 0.4 0.35 0.8 -> 0.83: docstring of average_precision_score.
    targets = np.array([0, 0, 1, 1, -1], np.int8)
    probabilities = np.array([0.1, 0.4, 0.35, 0.8, 0.9], np.float32)
    assert average_precision(targets, probabilities) == pytest.approx(0.8333333)


def test_without_a_known_presence_there_is_no_average_precision() -> None:
    probabilities = np.full(3, 0.5, np.float32)
    assert average_precision(np.array([0, -1, 0], np.int8), probabilities) is None
    assert average_precision(np.array([-1, -1, -1], np.int8), probabilities) is None


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10_000), st.floats(0.05, 0.95))
def test_calls_are_the_confusion_matrix_of_scikit_learn(seed: int, threshold: float) -> None:
    targets, probabilities = drawn(seed, n=60)
    known = targets >= 0
    truth, called = targets[known] == 1, probabilities[known] >= threshold
    calls = calls_where(targets, probabilities >= threshold)
    counts = [[calls.rightly_absent, calls.wrong], [calls.missed, calls.right]]
    assert counts == confusion_matrix(truth, called, labels=[False, True]).tolist()
    if calls.precision is not None:
        assert calls.precision == pytest.approx(precision_score(truth, called))
    if calls.recall is not None:
        assert calls.recall == pytest.approx(recall_score(truth, called))


@pytest.mark.parametrize("seed", range(6))
def test_thresholds_keep_what_the_card_promises(seed: int) -> None:
    targets, probabilities = drawn(seed, n=120, apart=2.5)
    known = targets >= 0
    truth, scores = targets[known] == 1, probabilities[known]
    card = class_card("CHEAL", targets, probabilities)

    # Brute force over every threshold that gives other calls.
    candidates = np.unique(scores)
    best = max(f1_score(truth, scores >= threshold) for threshold in candidates)
    assert f1_score(truth, scores >= card.present_at) == pytest.approx(best)

    # Largest on the grid of thresholds that differ; the next higher catches too few.
    caught = [t for t in candidates if recall_score(truth, scores >= t) >= 0.98]
    assert recall_score(truth, scores >= card.doubt_at) >= 0.98
    assert card.doubt_at <= min(max(caught), card.present_at, 0.3)

    safe = [
        threshold
        for threshold in candidates
        if threshold >= max(card.present_at, 0.5)
        and (scores >= threshold).sum() >= 10
        and precision_score(truth, scores >= threshold) >= 0.95
    ]
    assert card.treat_at == (min(safe) if safe else None)


def test_thresholds_of_classes_that_are_told_with_ease_lie_midway_and_on_the_safe_side() -> None:
    # Hand arithmetic: plants at 0.9, all else at 0.1, so that F1 is 1 from 0.1 to 0.9.
    targets = np.array([1] * 20 + [0] * 20 + [-1], np.int8)
    probabilities = np.array([0.9] * 20 + [0.1] * 20 + [0.7], np.float32)
    card = class_card("CHEAL", targets, probabilities)
    assert card.present_at == pytest.approx(0.5)
    assert card.doubt_at == pytest.approx(0.3)
    assert card.treat_at == pytest.approx(0.9)


def test_good_thresholds_stand_in_order() -> None:
    card = class_card("CHEAL", *drawn(3, apart=3))
    assert card.treat_at is not None
    assert card.doubt_at <= card.present_at <= card.treat_at


def test_few_right_calls_are_no_leave_to_treat() -> None:
    targets = np.array([1] * 9 + [0] * 50, np.int8)
    probabilities = np.array([0.9] * 9 + [0.1] * 50, np.float32)
    assert class_card("CHEAL", targets, probabilities).treat_at is None
    targets[9], probabilities[9] = 1, 0.9
    assert class_card("CHEAL", targets, probabilities).treat_at == pytest.approx(0.9)


def test_a_species_that_no_validation_tile_shows_is_never_treated() -> None:
    card = class_card("CHEAL", np.array([0, 0, -1], np.int8), np.zeros(3, np.float32))
    assert card.treat_at is None
    assert card.doubt_at < card.present_at


def test_a_species_that_is_told_badly_does_not_forbid_everything() -> None:
    # All at 0.02 or below: each plant is caught at 0.01 only, where all else is as well.
    rng = np.random.default_rng(0)
    probabilities = rng.uniform(0, 0.02, 200).astype(np.float32)
    targets = rng.choice(np.array([0, 1], np.int8), 200, p=(0.9, 0.1))
    card = class_card("CHEAL", targets, probabilities)
    assert card.treat_at is None
    assert (card.present_at, card.doubt_at) == (0.1, 0.1)
