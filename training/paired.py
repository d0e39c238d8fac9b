"""Two models on the same cells: is one better, and is the difference more than luck?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, sqrt

import numpy as np
from numpy.typing import NDArray
from scipy.stats import binom, t

#: Fewer units than this say nothing of how much units differ.
LEAST_UNITS = 3

_CONFIDENCE = 0.95


@dataclass(frozen=True, slots=True)
class Gain:
    """By how much the error of a new model is smaller than that of an old one.

    The error is the mean squared error of probabilities (Brier 1950) over what is known of
    the cells of a photo, or of a site: cells of one photo are alike, so photos are what is
    counted. `low` and `high` bound the mean gain with 95 % confidence (Student's t over the
    differences, pair by pair); None with too few units.
    """

    units: int
    old_error: float
    new_error: float
    low: float | None
    high: float | None

    @property
    def verdict(self) -> str:
        """What can be said: better, worse, or cannot be told."""
        if self.low is not None and self.low > 0:
            return "better"
        return "worse" if self.high is not None and self.high < 0 else "cannot be told"

    @property
    def units_needed(self) -> int | None:
        """About how many units would tell, if the gain is as it seems; None if none seems."""
        gain = self.old_error - self.new_error
        if self.low is None or gain <= 0:
            return None
        return max(self.units + 1, ceil((gain - self.low) ** 2 * self.units / gain**2))


def paired_gain(
    unit_of: Sequence[str],
    targets: NDArray[np.int8],
    old: NDArray[np.float32],
    new: NDArray[np.float32],
) -> Gain | None:
    """Compare the probabilities (cells, classes) of two models unit by unit.

    `targets` (cells, classes) are 1, 0 or -1 (not known: left out); `unit_of` names the
    photo, or the site, of each cell. None where nothing is known.
    """
    known = targets >= 0
    cells, _ = np.nonzero(known)
    if not cells.size:
        return None
    units, unit_at = np.unique(np.array(unit_of)[cells], return_inverse=True)
    before, after = (
        np.bincount(unit_at, (found[known] - targets[known]) ** 2) / np.bincount(unit_at)
        for found in (old, new)
    )
    count, gains = len(units), before - after
    low = high = None
    if count >= LEAST_UNITS:
        half = t.ppf((1 + _CONFIDENCE) / 2, count - 1) * gains.std(ddof=1) / sqrt(count)
        low, high = float(gains.mean() - half), float(gains.mean() + half)
    return Gain(count, float(before.mean()), float(after.mean()), low, high)


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
