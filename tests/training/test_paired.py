"""Paired comparison of two models, against published examples and reference libraries."""

from __future__ import annotations

from itertools import combinations_with_replacement

import numpy as np
import pytest
from scipy.stats import multinomial
from sklearn.metrics import average_precision_score
from statsmodels.stats.contingency_tables import mcnemar

from training.evaluation.intervals import Resampling
from training.paired import discord


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


def test_the_interval_is_that_of_resampled_sites() -> None:
    """Reference: all 462 ways to draw six sites, with their chances, scored by scikit-learn."""
    rng = np.random.default_rng(2)
    units = np.repeat([f"site {i}" for i in range(6)], 30)
    truth = (rng.random(180) < 0.3).astype(np.int8)
    shift = np.repeat(rng.normal(0, 0.15, 6), 30)
    old = (rng.random(180) * 0.6 + 0.3 * truth).astype(np.float32)
    new = (old + 0.15 * truth + shift * truth).astype(np.float32)
    everywhere = np.ones(180, bool)
    sites = Resampling(units, units)
    found = sites.average_precision_change(truth == 1, new, old, everywhere)
    assert found is not None
    changes, chances = [], []
    for drawn in combinations_with_replacement(range(6), 6):
        counts = np.bincount(drawn, minlength=6)
        weights = np.repeat(counts, 30)
        changes.append(
            average_precision_score(truth, new, sample_weight=weights)
            - average_precision_score(truth, old, sample_weight=weights)
        )
        chances.append(multinomial.pmf(counts, 6, np.full(6, 1 / 6)))
    order = np.argsort(changes)
    reached = np.cumsum(np.array(chances)[order])
    low, high = (np.array(changes)[order][np.searchsorted(reached, p)] for p in (0.025, 0.975))
    # TIMES draws leave each end uncertain by about a twentieth of the width: twice that.
    assert (found.low, found.high) == pytest.approx((low, high), abs=(high - low) / 10)
    # Whoever takes the cells for independent believes in an interval that is too narrow.
    alone = np.array([str(i) for i in range(180)])
    cells = Resampling(alone, alone).average_precision_change(truth == 1, new, old, everywhere)
    assert cells is not None
    assert cells.high - cells.low < found.high - found.low
