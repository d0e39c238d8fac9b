"""scikit-learn is the outside check of every figure here."""

import numpy as np
import pytest
from drawn_scores import drawn
from hypothesis import given, settings
from hypothesis import strategies as st
from sklearn.metrics import (
    average_precision_score,
    confusion_matrix,
    precision_score,
    recall_score,
)

from training.metrics import average_precision, calls_where


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
