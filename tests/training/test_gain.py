import numpy as np
import pytest
from scipy.stats import ttest_rel
from sklearn.metrics import brier_score_loss

from training.paired import paired_gain


def drawn(units: int, better_by: float) -> tuple[list[str], np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(4)
    truth = rng.integers(0, 2, (units * 5, 2)).astype(np.int8)
    old = np.clip(truth + rng.normal(0, 0.3, truth.shape), 0, 1).astype(np.float32)
    new = (old + better_by * (truth - old)).astype(np.float32)
    return [f"photo {i // 5}" for i in range(len(truth))], truth, old, new


def test_error_is_the_brier_score_and_its_range_that_of_a_paired_t_test() -> None:
    # References: scikit-learn's brier_score_loss per photo and scipy's ttest_rel over photos.
    units, truth, old, new = drawn(6, better_by=0.2)
    rng = np.random.default_rng(1)
    new = np.clip(new + rng.normal(0, 0.05, new.shape), 0, 1).astype(np.float32)
    truth[3, 1] = truth[20, 0] = -1
    errors = []
    for found in (old, new):
        per_unit = []
        for unit in range(6):
            here = slice(unit * 5, unit * 5 + 5)
            known = truth[here] >= 0
            per_unit.append(brier_score_loss(truth[here][known], found[here][known]))
        errors.append(per_unit)
    expected = ttest_rel(*errors).confidence_interval(0.95)
    gain = paired_gain(units, truth, old, new)
    assert gain is not None
    assert gain.units == 6
    assert gain.old_error == pytest.approx(np.mean(errors[0]))
    assert gain.new_error == pytest.approx(np.mean(errors[1]))
    assert (gain.low, gain.high) == (pytest.approx(expected.low), pytest.approx(expected.high))


def test_better_worse_and_cannot_be_told() -> None:
    units, truth, old, new = drawn(8, better_by=0.5)
    better, worse = paired_gain(units, truth, old, new), paired_gain(units, truth, new, old)
    same = paired_gain(units, truth, old, old)
    assert better is not None
    assert worse is not None
    assert same is not None
    assert (better.verdict, worse.verdict) == ("better", "worse")
    assert same.verdict == "cannot be told"
    assert same.units_needed is None


def test_two_photos_tell_nothing_however_large_the_gain() -> None:
    gain = paired_gain(*drawn(2, better_by=1.0))
    assert gain is not None
    assert gain.new_error == 0
    assert gain.low is None
    assert gain.verdict == "cannot be told"


def test_of_cells_of_which_nothing_is_known_there_is_no_gain() -> None:
    units, truth, old, new = drawn(4, better_by=0.1)
    assert paired_gain(units, np.full_like(truth, -1), old, new) is None


def test_how_many_photos_would_tell_follows_from_the_range() -> None:
    # The half width falls as one over the root of the number: if it is twice the gain,
    # four times as many are needed. Hand arithmetic.
    from training.paired import Gain

    assert Gain(5, 0.5, 0.25, -0.25, 0.75).units_needed == 20
    assert Gain(5, 0.2, 0.3, -0.3, 0.1).units_needed is None
