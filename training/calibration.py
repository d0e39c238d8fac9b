"""Whether probabilities mean what they say, and one number that makes them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize_scalar

from training.metrics import Probabilities, Targets

#: Bins of equal width.
BINS = 10

#: What a temperature may be: beyond, something other than confidence is wrong. No source.
_LEAST_T, _MOST_T = 0.2, 20.0

#: Probabilities of 0 or 1, which float32 makes of scores beyond 16, count as this near to them.
_LEAST_P = 1e-7


@dataclass(frozen=True, slots=True)
class Bin:
    """The cells whose probability lies in one bin: what was said, and what was true."""

    cells: int
    mean_probability: float
    share_present: float


@dataclass(frozen=True, slots=True)
class Reliability:
    """The reliability curve of one class, and its expected calibration error.

    `error` is the mean over the cells of the gap between share present and mean probability of
    their bin: bins of P(present) for this class, not of the likeliest class' confidence.
    `bins` leaves empty ones out.
    """

    cells: int
    error: float
    bins: tuple[Bin, ...]


def reliability(
    targets: Targets, probabilities: Probabilities, bins: int = BINS
) -> Reliability | None:
    """Return how right the probabilities (n,) are where `targets` (n,) are known; None of none."""
    known = targets >= 0
    truth = (targets[known] == 1).astype(np.float64)
    p = np.clip(probabilities[known].astype(np.float64), 0, 1)
    if not p.size:
        return None
    place = np.minimum((p * bins).astype(int), bins - 1)
    cells = np.bincount(place, minlength=bins)
    used = cells > 0
    said = np.bincount(place, p, bins)[used] / cells[used]
    true = np.bincount(place, truth, bins)[used] / cells[used]
    error = float((np.abs(true - said) * cells[used]).sum() / cells.sum())
    rows = zip(cells[used].tolist(), said.tolist(), true.tolist(), strict=True)
    return Reliability(len(p), error, tuple(Bin(*row) for row in rows))


def fit_temperature(targets: NDArray[np.int8], probabilities: NDArray[np.float32]) -> float:
    """Return by what to divide scores so that probabilities are right; 1 where nothing is known.

    Both are (n, classes), targets -1 where not known. Temperature scaling (Guo et al. 2017,
    arXiv 1706.04599) with one temperature for all classes: it changes no order among cells,
    only how sure they are. It minimises the cross-entropy, to targets that are drawn in a
    little for each class, (present + 1) / (present + 2) and 1 / (absent + 2) (Platt 1999):
    cells that are all told apart would otherwise ask for certainty without end.
    """
    known = targets >= 0
    if not known.any():
        return 1.0
    present, absent = (targets == 1).sum(0), (targets == 0).sum(0)
    goal = np.where(targets == 1, (present + 1) / (present + 2), 1 / (absent + 2))[known]
    score = _scores(probabilities[known])

    def cost(log_temperature: float) -> float:
        scaled = score / np.exp(log_temperature)
        return float(np.mean(np.logaddexp(0, scaled) - goal * scaled))

    found = minimize_scalar(cost, bounds=tuple(np.log([_LEAST_T, _MOST_T])), method="bounded")
    return float(np.exp(found.x))


def tempered(probabilities: NDArray[np.float32], temperature: float) -> NDArray[np.float32]:
    """Return what probabilities become when their scores are divided by `temperature`."""
    return np.asarray(1 / (1 + np.exp(-_scores(probabilities) / temperature)), np.float32)


def _scores(probabilities: NDArray[np.float32]) -> NDArray[np.float64]:
    p = np.clip(probabilities.astype(np.float64), _LEAST_P, 1 - _LEAST_P)
    return np.asarray(np.log(p / (1 - p)))
