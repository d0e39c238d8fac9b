"""Risk control: how lax a rule may be, from the harm that it did at sites it never saw.

Learn-then-test (Angelopoulos, Bates, Candes, Jordan & Lei 2021, arXiv 2110.01052). A rule is
followed from strict to lax. At each step the hypothesis "it harms more than allowed" is tested;
the first that cannot be rejected ends the walk (fixed-sequence testing, which needs no
correction for the number of steps). The unit is the site: what a rule did there is one number
from 0 to 1, however many cells lie behind it, since cells of one site err together. The only
assumption is that sites are independent draws from the gardens that are spoken of.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.stats import binom

Floats = NDArray[np.float64]

#: Where no number of sites up to this one would do, none is told.
_MOST_SITES = 100_000


def hoeffding_bentkus(total: Floats | float, sites: int, at_most: float) -> Floats:
    """Return p-values of "the mean loss is above `at_most`", of any shape that `total` has.

    `total` is the sum of the losses, each from 0 to 1, of `sites` independent sites: the sum
    and not the mean, since 100 * 0.07 is more than 7 in floating point. The smaller of
    Hoeffding's (1963, the tight form) and Bentkus' (2004) bounds, arXiv 2110.01052, 3.1.
    """
    totals = np.asarray(total, dtype=np.float64)
    mean = np.minimum(totals / sites, at_most)
    hoeffding = np.exp(-sites * _divergence(mean, at_most))
    bentkus = math.e * binom.cdf(np.ceil(totals), sites, at_most)
    return np.asarray(np.minimum(np.minimum(hoeffding, bentkus), 1.0))


def steps_passed(p_values: Floats, level: float) -> NDArray[np.intp]:
    """Return how many steps pass before the first that does not, along the last axis."""
    failed = p_values > level
    steps = np.where(failed.any(-1), failed.argmax(-1), p_values.shape[-1])
    return np.asarray(steps, np.intp)


def sites_needed(
    at_most: float, confidence: float, mean_loss: float = 0.0, more_than: int = 0
) -> int | None:
    """Return how many sites it takes to show a bound if losses come out at `mean_loss`.

    `more_than` is how many did not show it. It has to be told, since whole harms make p-values
    go up and down on their way: a few sites fewer might have done.

    Without any loss that is log(1 - confidence) / log(1 - at_most), which no method that
    supposes nothing of sites can undercut: a world where one site in 1 / `at_most` is ruined
    and the rest is spared shows nothing in as many draws. None where `mean_loss` is not
    below `at_most`, or so near to it that more than 100,000 sites would not do.
    """
    if mean_loss >= at_most:
        return None
    low, high = more_than, more_than + 1

    def shown(sites: int) -> bool:
        return float(hoeffding_bentkus(mean_loss * sites, sites, at_most)) <= 1 - confidence

    while not shown(high):
        low, high = high, 2 * high
        if high > _MOST_SITES:
            return None
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if shown(middle) else (middle, high)
    return high


def _divergence(mean: Floats, at_most: float) -> Floats:
    """Return the relative entropy of two coins, `mean` to `at_most`; 0 log 0 is 0."""
    with np.errstate(divide="ignore", invalid="ignore"):
        first = np.where(mean > 0, mean * np.log(mean / at_most), 0.0)
        second = np.where(mean < 1, (1 - mean) * np.log((1 - mean) / (1 - at_most)), 0.0)
    return np.asarray(first + second)
