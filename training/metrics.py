"""Scores that ask nothing of what nobody looked for.

Everywhere `targets` (n,) are 1 present, 0 absent, -1 not known, and `probabilities` (n,)
those of one class; what is not known is left out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import beta
from sklearn.metrics import average_precision_score

Targets = NDArray[np.int8]
Probabilities = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Calls:
    """How calls of "present" compare with labels that are known."""

    right: int
    wrong: int
    missed: int
    rightly_absent: int

    @property
    def precision(self) -> float | None:
        """The share of calls that were right; None without calls."""
        calls = self.right + self.wrong
        return self.right / calls if calls else None

    @property
    def recall(self) -> float | None:
        """The share of plants that were called; None without plants."""
        plants = self.right + self.missed
        return self.right / plants if plants else None


def average_precision(targets: Targets, probabilities: Probabilities) -> float | None:
    """Return the area under the precision-recall steps; None without a known presence."""
    truth, known = only_known(targets, probabilities)
    return float(average_precision_score(truth, known)) if truth.any() else None


def calls_where(targets: Targets, called: NDArray[np.bool_]) -> Calls:
    """Compare calls (n,) with the labels."""
    known = targets >= 0
    truth, called = targets[known] == 1, called[known]
    return Calls(
        right=int((called & truth).sum()),
        wrong=int((called & ~truth).sum()),
        missed=int((~called & truth).sum()),
        rightly_absent=int((~called & ~truth).sum()),
    )


def upper_bound(harms: int, trials: int, confidence: float = 0.95) -> float | None:
    """Return the one-sided upper bound of Clopper & Pearson on a share; None of no trials."""
    if not trials:
        return None
    return 1.0 if harms == trials else float(beta.ppf(confidence, harms + 1, trials - harms))


def only_known(
    targets: Targets, probabilities: Probabilities
) -> tuple[NDArray[np.bool_], Probabilities]:
    """Return whether the class is present, and its probabilities, where that is known."""
    known = targets >= 0
    return targets[known] == 1, probabilities[known]
