"""How sure a figure is: what it would have been with other sites.

The cluster bootstrap: whole sites are drawn with replacement, never cells, since cells of one
site resemble each other. From cells an interval comes out several times too narrow. With less
than about 20 sites it is still too narrow (Cameron, Gelbach & Miller 2008, from memory), and
`caution` says so.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Unit = Literal["site", "photo"]

#: Drawn so often; the ends of an interval then vary by about a twentieth of its width.
TIMES = 1000

_SEED = 20_261
_LEVEL = 0.95
_FEW_SITES = 20

#: Below, there are too few different draws for an interval to mean much; no source.
_HARDLY_ANY = 5

#: Weights of this many cells are held at a time.
_MOST_WEIGHTS = 4_000_000


@dataclass(frozen=True, slots=True)
class Interval:
    """The middle 95 % of what a figure became when units were drawn anew.

    `draws` counts those in which it was defined at all, of TIMES.
    """

    low: float
    high: float
    draws: int


class Resampling:
    """Cells in groups, drawn anew TIMES times: sites if there are several, else photos.

    `unit` is None, and so are all intervals, where there is but one photo. The same cells
    always give the same intervals.
    """

    def __init__(self, site: NDArray[np.str_], photo: NDArray[np.str_]) -> None:
        self.sites = len(np.unique(site))
        self.unit: Unit | None = "site" if self.sites > 1 else "photo"
        names, self._unit_of = np.unique(site if self.sites > 1 else photo, return_inverse=True)
        self.units = len(names)
        if self.units < 2:
            self.unit = None
        rng = np.random.default_rng(_SEED)
        shares = np.full(max(self.units, 1), 1 / max(self.units, 1))
        self._counts = rng.multinomial(self.units, shares, TIMES).astype(np.float64)

    @property
    def caution(self) -> str | None:
        """What to bear in mind about all its intervals, in words; None with enough sites."""
        if self.unit is None:
            return "one photo: nothing tells how sure these figures are"
        if self.unit == "photo":
            return (
                f"one site: intervals come from drawing its {self.units} photos anew and FLATTER; "
                "they say nothing of another garden"
            )
        if self.units < _HARDLY_ANY:
            return (
                f"{self.units} sites: drawing so few anew says next to nothing; the intervals are "
                "far too narrow"
            )
        if self.units < _FEW_SITES:
            return f"{self.units} sites: the intervals are too narrow (less than about 20 sites)"
        return None

    def ratio(
        self, numerator: NDArray[np.generic], denominator: NDArray[np.generic]
    ) -> Interval | None:
        """Return the interval of sum(numerator) / sum(denominator), each (n,), cell by cell."""
        if self.unit is None:
            return None
        above, below = (
            self._counts @ np.bincount(self._unit_of, part.astype(np.float64), self.units)
            for part in (numerator, denominator)
        )
        drawn = below > 0
        return _interval(above[drawn] / below[drawn])

    def average_precision(
        self, truth: NDArray[np.bool_], scores: NDArray[np.floating], known: NDArray[np.bool_]
    ) -> Interval | None:
        """Return the interval of the average precision of `scores`, over what is `known`.

        All are (n,), cell by cell.
        """
        if self.unit is None or not (truth & known).any():
            return None
        return _interval(self._average_precisions(truth[known], scores[known], known))

    def average_precision_change(
        self,
        truth: NDArray[np.bool_],
        new: NDArray[np.floating],
        old: NDArray[np.floating],
        known: NDArray[np.bool_],
    ) -> Interval | None:
        """Return the interval of by how much `new` scores are better, on the same draws.

        All are (n,), cell by cell.
        """
        if self.unit is None or not (truth & known).any():
            return None
        better, worse = (
            self._average_precisions(truth[known], scores[known], known) for scores in (new, old)
        )
        return _interval(better - worse)

    def _average_precisions(
        self, truth: NDArray[np.bool_], scores: NDArray[np.floating], known: NDArray[np.bool_]
    ) -> Floats:
        """Return the average precision of each draw over the known cells, where it has one."""
        unit_of = self._unit_of[known]
        step = max(1, _MOST_WEIGHTS // len(unit_of))
        parts = [
            weighted_average_precision(truth, scores, counts[:, unit_of])
            for counts in np.split(self._counts, range(step, TIMES, step))
        ]
        drawn = np.concatenate(parts)
        return drawn[~np.isnan(drawn)]


def weighted_average_precision(
    truth: NDArray[np.bool_], scores: NDArray[np.floating], weights: Floats
) -> Floats:
    """Return the average precision under each row of `weights` (draws, n).

    As scikit-learn's with `sample_weight`, for all draws at once; NaN where a draw holds no
    presence.
    """
    order = np.argsort(-scores, kind="stable")
    ends = np.flatnonzero(np.diff(scores[order], append=-np.inf))  # equal scores are one step
    weights = weights[:, order]
    called = weights.cumsum(1)[:, ends]
    right = (weights * truth[order]).cumsum(1)[:, ends]
    with np.errstate(invalid="ignore", divide="ignore"):
        precision = np.where(called > 0, right / called, 0.0)
        recall = right / right[:, -1:]
    gained = np.diff(recall, axis=1, prepend=0.0)
    return np.asarray((gained * precision).sum(1))


def _interval(drawn: Floats) -> Interval | None:
    """Return the percentile interval; None where all draws are equal, which tells nothing."""
    if not drawn.size or drawn.min() == drawn.max():
        return None
    low, high = np.quantile(drawn, [(1 - _LEVEL) / 2, (1 + _LEVEL) / 2])
    return Interval(float(low), float(high), int(drawn.size))
