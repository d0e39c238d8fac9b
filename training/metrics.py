"""Scores that ask nothing of what nobody looked for.

Everywhere `targets` (n,) are 1 present, 0 absent, -1 not known, and `probabilities` (n,)
those of one class; what is not known is left out. Curves are scikit-learn's.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import beta
from sklearn.metrics import average_precision_score, precision_recall_curve

from weedset.modelcard import ClassCard

Targets = NDArray[np.int8]
Probabilities = NDArray[np.float32]

#: A machine may act on a species where so many of its calls were right, among at least so
#: many calls: choices of this project, no source.
TREAT_PRECISION = 0.95
LEAST_TREAT_CALLS = 10

#: Nor below an even chance, however well validation tiles went.
LEAST_TREAT_AT = 0.5

#: So many of the plants must be caught where a doubt is enough to protect; no source.
DOUBT_RECALL = 0.98

#: On tiles that are told apart with ease every threshold catches all plants. On other
#: ground the model will be less sure, and three chances in ten are doubt enough; no source.
MOST_DOUBT_AT = 0.3

#: Nor is less than one chance in ten a doubt: of a species that is told so badly, nearly
#: every cell would be left, and the model be of no use. Its plants are then protected by
#: TREAT_PRECISION alone, which counts each of them that was taken for another; no source.
LEAST_DOUBT_AT = 0.1

#: Without a validation tile that shows the species: never treat, soon protect.
_UNSEEN_PRESENT_AT = 0.5


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
    truth, known = _known(targets, probabilities)
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


def class_card(code: str, targets: Targets, probabilities: Probabilities) -> ClassCard:
    """Choose the thresholds of a class on validation tiles.

    `present_at` gives the best F1. `doubt_at` is the largest that still catches DOUBT_RECALL
    of the plants, but no larger than `present_at` or MOST_DOUBT_AT. Both lie midway between
    two found probabilities, where all thresholds make the same calls, so that a small shift
    changes none; neither lies below LEAST_DOUBT_AT. `treat_at` is the smallest one, no
    smaller than `present_at` or LEAST_TREAT_AT, of whose at least LEAST_TREAT_CALLS calls
    TREAT_PRECISION were right; None where there is none.
    """
    truth, known = _known(targets, probabilities)
    if not truth.any():
        return ClassCard(code, None, _UNSEEN_PRESENT_AT, LEAST_DOUBT_AT)
    precision, recall, thresholds = precision_recall_curve(truth, known)
    precision, recall = precision[:-1], recall[:-1]  # the last point has no threshold
    # The lowest probability found is a threshold too, and 0 the one below it.
    midway = (thresholds + np.concatenate([[0], thresholds[:-1]])) / 2
    f1 = 2 * precision * recall / np.maximum(precision + recall, 1e-12)
    present_at = max(float(midway[f1.argmax()]), LEAST_DOUBT_AT)
    # Recall falls as the threshold rises, and is 1 at the lowest.
    doubt_at = float(midway[recall >= DOUBT_RECALL].max())
    calls = len(known) - np.searchsorted(np.sort(known), thresholds)
    safe = thresholds[
        (precision >= TREAT_PRECISION)
        & (calls >= LEAST_TREAT_CALLS)
        & (thresholds >= max(present_at, LEAST_TREAT_AT))
    ]
    return ClassCard(
        code,
        treat_at=float(safe.min()) if safe.size else None,
        present_at=present_at,
        doubt_at=min(max(doubt_at, LEAST_DOUBT_AT), present_at, MOST_DOUBT_AT),
    )


def _known(
    targets: Targets, probabilities: Probabilities
) -> tuple[NDArray[np.bool_], Probabilities]:
    known = targets >= 0
    return targets[known] == 1, probabilities[known]
