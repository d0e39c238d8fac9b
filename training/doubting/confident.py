"""Which labels are doubtful, from what a model says of tiles that it did not learn from.

Confident learning (Northcutt, Jiang & Chuang 2021, J. Artif. Intell. Res. 70:1373-1411),
for each species by itself, present against absent: labels are sets, and absence is known
only of what was looked for, so that each species has its own labels to be compared.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Noise:
    """How many labels of one species seem wrong, of those that are known.

    `wrongly_present` and `wrongly_absent` are shares of the tiles labelled present and
    absent; `share` is that of both together.
    """

    present: int
    absent: int
    wrongly_present: float
    wrongly_absent: float

    @property
    def share(self) -> float:
        """The share of all known labels that seem wrong."""
        wrong = self.wrongly_present * self.present + self.wrongly_absent * self.absent
        return wrong / max(1, self.present + self.absent)


def against(labels: NDArray[np.int8], found: Floats) -> Floats:
    """Return the probability that each label is wrong by a model, NaN where there is none.

    `labels` (tiles, classes) are 1, 0 or -1 (not known); `found` are out-of-fold
    probabilities of presence, NaN where no model could be made.
    """
    return np.where(labels < 0, np.nan, np.where(labels == 1, 1 - found, found))


def thresholds(labels: NDArray[np.int8], found: Floats) -> tuple[float, float]:
    """Return from which probability a tile surely lacks a species, and surely shows it.

    The mean self-confidence of the tiles so labelled (equation 2 of the paper), (tiles,).
    """
    return float((1 - found[labels == 0]).mean()), float(found[labels == 1].mean())


def sure_answers(labels: NDArray[np.int8], found: Floats) -> NDArray[np.int8]:
    """Return what a model surely says of one species: 1 present, 0 absent, -1 unsure, (tiles,).

    The cell of the confident joint (equation 1): the answer whose probability reaches its
    threshold, and where both do, the likelier. All -1 where labels are of one kind only.
    """
    known = (labels >= 0) & ~np.isnan(found)
    if len(np.unique(labels[known])) < 2:
        return np.full(len(labels), -1, np.int8)
    sure_absent, sure_present = thresholds(labels[known], found[known])
    shows, lacks = known & (found >= sure_present), known & (1 - found >= sure_absent)
    likely = np.where(found > 0.5, 1, 0)
    answers = np.where(shows & lacks, likely, np.where(shows, 1, np.where(lacks, 0, -1)))
    return np.asarray(answers, np.int8)


def disputed(labels: NDArray[np.int8], found: Floats) -> NDArray[np.bool_]:
    """Return which labels of one species a model surely contradicts, (tiles,)."""
    answers = sure_answers(labels, found)
    return np.asarray((answers >= 0) & (answers != labels))


def estimate_noise(labels: NDArray[np.int8], found: Floats) -> Noise:
    """Return how many labels of one species seem wrong: the calibrated joint (equation 3).

    Of the tiles labelled alike that the model is sure of, the share it contradicts; 0 where
    it is sure of none.
    """
    answers = sure_answers(labels, found)
    shares = []
    for label in (1, 0):
        sure = answers[(labels == label) & (answers >= 0)]
        shares.append(float((sure != label).mean()) if len(sure) else 0.0)
    return Noise(int((labels == 1).sum()), int((labels == 0).sum()), *shares)
