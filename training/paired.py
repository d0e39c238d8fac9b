"""Two models on the same cells: is one better, or is it luck?

Differences of average precision have intervals by resampling whole sites (or photos), since
cells of one site are alike. Decisions have McNemar's exact test, over the cells on which the
two models differ.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import binom

from training.metrics import Probabilities, Targets

#: Times that sites are drawn anew, and the seed: the same data give the same interval.
RESAMPLES = 2000
_SEED = 20260501

#: So many weights at a time, which keeps the memory small however many cells there are.
_MOST_WEIGHTS = 2_000_000

_Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Range:
    """An interval, both ends included."""

    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Discord:
    """On how many cells two models both did something, only one of them did, or neither.

    `p_two_sided` and `p_new_does_more` are McNemar's exact test: how likely so uneven a split
    of the cells on which they differ would be (either way, or towards the new model) if both
    did it equally often. It takes cells for independent, which neighbours are not.
    """

    both: int
    only_new: int
    only_old: int
    neither: int
    p_two_sided: float
    p_new_does_more: float


def discord(new: Sequence[bool], old: Sequence[bool]) -> Discord:
    """Compare what two models did on the same cells, in the same order."""
    pairs = list(zip(new, old, strict=True))
    only_new, only_old = pairs.count((True, False)), pairs.count((False, True))
    differ = only_new + only_old
    tail = float(binom.cdf(min(only_new, only_old), differ, 0.5))
    return Discord(
        both=pairs.count((True, True)),
        only_new=only_new,
        only_old=only_old,
        neither=pairs.count((False, False)),
        p_two_sided=min(1.0, 2 * tail),
        p_new_does_more=float(binom.sf(only_new - 1, differ, 0.5)),
    )


def change_range(
    targets: Targets, new: Probabilities, old: Probabilities, units: Sequence[str]
) -> Range | None:
    """Return the 95 % interval of new minus old average precision, by resampling `units`.

    All are (n,): `targets` are 1, 0 or -1 for not known, `units` the site or photo of each
    cell. Both models are scored on the same draw. Percentiles of the draws; with less than
    some twenty units such an interval is too narrow. None where fewer than two units show the
    species.
    """
    known = targets >= 0
    truth = targets[known] == 1
    names, unit = np.unique(np.array(units)[known], return_inverse=True)
    if len(np.unique(unit[truth])) < 2:
        return None
    rng = np.random.default_rng(_SEED)
    draws = rng.multinomial(len(names), np.full(len(names), 1 / len(names)), RESAMPLES)
    step = max(1, _MOST_WEIGHTS // len(truth))
    changes = np.concatenate(
        [
            weighted_average_precision(truth, new[known], weights)
            - weighted_average_precision(truth, old[known], weights)
            for start in range(0, RESAMPLES, step)
            for weights in [draws[start : start + step][:, unit]]
        ]
    )
    low, high = np.nanpercentile(changes, (2.5, 97.5))
    return Range(float(low), float(high))


def weighted_average_precision(
    truth: NDArray[np.bool_], probabilities: Probabilities, weights: NDArray[np.int64]
) -> _Floats:
    """Return the average precision (draws,) of cells (n,) under `weights` (draws, n).

    NaN for a draw that has no presence. scikit-learn's figure, for many weightings at once.
    """
    order = np.argsort(-probabilities, kind="stable")
    ranked, weights = probabilities[order], weights[:, order]
    # Cells of equal probability are called together: only the last of each such run counts.
    last = np.append(ranked[1:] != ranked[:-1], True)
    right = np.cumsum(weights * truth[order], axis=1)[:, last].astype(float)
    called = np.cumsum(weights, axis=1)[:, last]
    precision = right / np.maximum(called, 1)
    steps = np.diff(right, axis=1, prepend=0.0)
    plants = right[:, -1].copy()
    found = (steps * precision).sum(axis=1)
    plants[plants == 0] = np.nan
    return np.asarray(found / plants)
