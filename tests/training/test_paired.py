"""Paired comparison of two models, against published examples and reference libraries."""

from __future__ import annotations

import numpy as np
import pytest
from sklearn.metrics import average_precision_score
from statsmodels.stats.contingency_tables import mcnemar

from training.paired import change_range, discord, weighted_average_precision


def table(both: int, only_new: int, only_old: int, neither: int) -> tuple[list[bool], list[bool]]:
    cells = (
        [(True, True)] * both
        + [(True, False)] * only_new
        + [(False, True)] * only_old
        + [(False, False)] * neither
    )
    return [new for new, _ in cells], [old for _, old in cells]


@pytest.mark.parametrize(
    ("cells", "exact"),
    [
        # Armitage and Berry 1994, Statistical Methods in Medical Research, p. 127.
        ((20, 12, 2, 16), 0.01293945),
        # 12 against 5: a worked example of the exact test, P = 0.1435.
        ((0, 12, 5, 0), 0.1435),
        ((50, 0, 0, 50), 1.0),
        ((3, 4, 4, 3), 1.0),
    ],
)
def test_mcnemars_exact_test(cells: tuple[int, int, int, int], exact: float) -> None:
    found = discord(*table(*cells))
    assert (found.both, found.only_new, found.only_old, found.neither) == cells
    assert found.p_two_sided == pytest.approx(exact, abs=5e-5)


@pytest.mark.parametrize("only_new", [0, 1, 7, 30])
@pytest.mark.parametrize("only_old", [0, 2, 9])
def test_p_is_that_of_statsmodels(only_new: int, only_old: int) -> None:
    """Reference: statsmodels; one-sided, half the two-sided where the new model does more."""
    found = discord(*table(5, only_new, only_old, 5))
    reference = mcnemar([[5, only_new], [only_old, 5]], exact=True).pvalue
    assert found.p_two_sided == pytest.approx(reference)
    if only_new > only_old:
        assert found.p_new_does_more == pytest.approx(reference / 2)
    else:
        assert found.p_new_does_more >= 0.5


def test_five_hits_more_are_noise_no_longer() -> None:
    # 2**-5 by hand: five cells that only the new one treats, none that only the old one does.
    assert discord(*table(0, 5, 0, 9)).p_new_does_more == pytest.approx(1 / 32)
    assert discord(*table(0, 4, 0, 9)).p_new_does_more == pytest.approx(1 / 16)


def test_weighted_average_precision_is_scikit_learns() -> None:
    rng = np.random.default_rng(1)
    truth = rng.random(80) < 0.3
    # Rounded, so that many cells have equal probabilities.
    found = np.round(rng.random(80) * 0.7 + 0.3 * truth, 1).astype(np.float32)
    weights = rng.integers(0, 4, (25, 80))
    got = weighted_average_precision(truth, found, weights)
    for value, weight in zip(got, weights, strict=True):
        reference = average_precision_score(truth, found, sample_weight=weight)
        assert value == pytest.approx(reference)
    assert np.isnan(weighted_average_precision(truth, found, np.array([~truth * 1])))[0]


def test_the_interval_is_that_of_resampled_sites() -> None:
    """Reference: sites drawn anew one by one, scored by scikit-learn, in percentiles."""
    rng = np.random.default_rng(2)
    units = np.repeat([f"site {i}" for i in range(6)], 30)
    truth = (rng.random(180) < 0.3).astype(np.int8)
    shift = np.repeat(rng.normal(0, 0.15, 6), 30)
    old = (rng.random(180) * 0.6 + 0.3 * truth).astype(np.float32)
    new = (old + 0.15 * truth + shift * truth).astype(np.float32)
    found = change_range(truth, new, old, units.tolist())
    assert found is not None
    changes = []
    places = [np.flatnonzero(units == name) for name in np.unique(units)]
    for _ in range(1500):
        drawn = np.concatenate([places[i] for i in rng.integers(0, 6, 6)])
        changes.append(
            average_precision_score(truth[drawn], new[drawn])
            - average_precision_score(truth[drawn], old[drawn])
        )
    low, high = np.percentile(changes, (2.5, 97.5))
    assert (found.low, found.high) == pytest.approx((low, high), abs=0.01)
    # Whoever takes the cells for independent believes in an interval that is too narrow.
    cells = change_range(truth, new, old, [str(i) for i in range(180)])
    assert cells is not None
    assert cells.high - cells.low < found.high - found.low


def test_of_what_one_site_shows_no_interval_is_told() -> None:
    truth = np.array([1, 1, 0, 0, -1], np.int8)
    found = np.array([0.9, 0.8, 0.3, 0.2, 0.5], np.float32)
    assert change_range(truth, found, found, ["a", "a", "b", "b", "c"]) is None
    same = change_range(truth, found, found, ["a", "b", "a", "b", "c"])
    assert same is not None
    assert (same.low, same.high) == (0, 0)
