"""Risk control: published p-values, a reference library, and thousands of drawn worlds."""

import numpy as np
import pytest
from mapie.risk_control.methods import compute_hoeffding_bentkus_p_value
from scipy.stats import beta, betabinom, binom

from training.evaluation.harm import hoeffding_bentkus, sites_needed, steps_passed


# MAPIE 1.6.0, compute_hoeffding_bentkus_p_value, the p-value of arXiv 2110.01052 (for 0 harms
# it is (1 - a)^n by hand).
@pytest.mark.parametrize(
    ("sites", "total", "at_most", "p"),
    [
        (100, 0, 0.05, 0.0059205),
        (300, 3, 0.05, 0.00044597),
        (300, 0, 0.01, 0.0490409),
        (1000, 5, 0.01, 0.179786),
        (1000, 20, 0.05, 2.0819e-06),
        (1000, 40, 0.05, 0.219193),
    ],
)
def test_p_values_are_the_published_ones(
    sites: int, total: float, at_most: float, p: float
) -> None:
    found = float(hoeffding_bentkus(total, sites, at_most))
    assert found == pytest.approx(p, rel=1e-5)
    again = compute_hoeffding_bentkus_p_value(np.array([total / sites]), sites, at_most)
    assert found == pytest.approx(float(again[0, 0]), rel=1e-9)


def test_whole_sums_are_not_rounded_up() -> None:
    # 7 of 100: 100 * (7 / 100) is 7.000000000000001, whose ceiling is 8. The bound of Bentkus,
    # the smaller one here, with scipy's binomial.
    expected = np.e * binom.cdf(7, 100, 0.2)
    assert float(hoeffding_bentkus(7, 100, 0.2)) == pytest.approx(
        min(expected, np.exp(-100 * (0.07 * np.log(0.07 / 0.2) + 0.93 * np.log(0.93 / 0.8))))
    )


def test_shares_that_are_not_whole_agree_with_the_reference_library() -> None:
    totals = np.array([0.013, 0.5, 1.7, 4.2, 11.9, 40.0])
    expected = compute_hoeffding_bentkus_p_value(totals / 40, 40, 0.1)[:, 0]
    found = hoeffding_bentkus(totals, 40, 0.1)
    assert found == pytest.approx(np.minimum(expected, 1))


def test_the_walk_ends_at_the_first_step_that_fails() -> None:
    p_values = np.array([[0.01, 0.02, 0.2, 0.01], [0.2, 0, 0, 0], [0, 0, 0, 0.05]])
    assert steps_passed(p_values, 0.05).tolist() == [2, 0, 4]


def test_how_many_sites_it_takes() -> None:
    # Without harm (1 - a)^n <= d: 299 for 1 % and 2995 for 0.1 % at 95 %, as in the rule of
    # three's exact form (scipy: binom.cdf(0, 299, 0.01) = 0.0495, 298: 0.0500...).
    assert sites_needed(0.01, 0.95) == 299
    assert sites_needed(0.001, 0.95) == 2995
    assert sites_needed(0.1, 0.95) == 29
    assert binom.cdf(0, 299, 0.01) <= 0.05 < binom.cdf(0, 298, 0.01)
    some = sites_needed(0.05, 0.95, 0.01)
    assert some is not None
    assert 59 < some < 300
    assert sites_needed(0.05, 0.95, 0.05) is None
    assert sites_needed(0.05, 0.95, 0.0499999) is None


def test_sites_that_did_not_do_are_never_said_to_be_enough() -> None:
    # The bound of Bentkus counts harms in whole numbers: at 3 % of 601 sites they become 19,
    # and what 579 sites show, 601 do not.
    few = sites_needed(0.05, 0.95, 0.03)
    assert few == 579
    assert float(hoeffding_bentkus(0.03 * 601, 601, 0.05)) > 0.05
    enough = sites_needed(0.05, 0.95, 0.03, more_than=601)
    assert enough is not None
    assert enough > 601
    assert float(hoeffding_bentkus(0.03 * enough, enough, 0.05)) <= 0.05


WORLDS, AT_MOST, LEVEL = 2000, 0.05, 0.05
#: True mean harm at each step, strict to lax.
HARM = np.linspace(0.002, 0.12, 60)


def drawn_worlds(sites: int, cells: int, together: float, seed: int) -> np.ndarray:
    """Return harms (WORLDS, sites, steps): at each step betabinomial with correlation `together`.

    One quantile per site serves all steps, so that harm grows along the walk as it must.
    """
    rng = np.random.default_rng(seed)
    strength = (1 - together) / together
    quantile = rng.uniform(size=(WORLDS, sites))
    harms = [
        # Inverse transform on a table: betabinom.ppf itself is slow.
        np.searchsorted(
            betabinom.cdf(np.arange(cells + 1), cells, m * strength, (1 - m) * strength), quantile
        )
        for m in HARM
    ]
    return np.minimum(np.stack(harms, -1), cells)


def broken(passed: np.ndarray) -> int:
    """Return in how many worlds the step that was chosen truly harms more than allowed."""
    chosen = np.where(passed > 0, HARM[np.maximum(passed, 1) - 1], 0.0)
    return int((chosen > AT_MOST).sum())


@pytest.mark.parametrize(
    ("sites", "cells", "together"), [(80, 40, 0.3), (150, 200, 0.1), (60, 20, 0.9)]
)
def test_the_bound_holds_in_drawn_worlds_where_counting_cells_breaks_it(
    sites: int, cells: int, together: float
) -> None:
    harms = drawn_worlds(sites, cells, together, seed=sites)
    by_site = steps_passed(hoeffding_bentkus((harms / cells).sum(1), sites, AT_MOST), LEVEL)
    # The bound of Clopper & Pearson (1934) over all cells, as if they were independent.
    total = harms.sum(1)
    by_cell = steps_passed(beta.sf(AT_MOST, total + 1, sites * cells - total), LEVEL)
    bad, bad_by_cell = broken(by_site), broken(by_cell)
    print(
        f"{sites} sites x {cells} cells, correlation {together}: broken in {bad} of {WORLDS} "
        f"worlds by site, in {bad_by_cell} by cell; allowed {LEVEL * WORLDS:.0f}"
    )
    assert bad <= LEVEL * WORLDS
    assert bad_by_cell > 2 * LEVEL * WORLDS


def test_the_bound_holds_where_it_is_sharpest_and_is_not_idle() -> None:
    """A share of sites is ruined whole, the rest spared: no sound bound can do better."""
    rng = np.random.default_rng(1)
    sites = 59
    ruined = rng.uniform(size=(WORLDS, sites, 1)) < HARM
    passed = steps_passed(hoeffding_bentkus(ruined.sum(1), sites, AT_MOST), LEVEL)
    assert 0.2 * LEVEL * WORLDS < broken(passed) <= LEVEL * WORLDS
    # 59 is the least number of sites that can pass at all: (1 - 0.05)^59 = 0.0485.
    assert (passed > 0).mean() > 0.5
