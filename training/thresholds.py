"""From which probability a class is treated, counts as present, or is in doubt.

Thresholds are chosen on validation tiles; those that somebody else has promised get no laxer.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from sklearn.metrics import precision_recall_curve

from training.calibration import tempered
from training.metrics import Probabilities, Targets, only_known
from weedset.modelcard import ClassCard

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


def class_cards(
    codes: Sequence[str],
    targets: Targets,
    found: Probabilities,
    promised: Sequence[ClassCard] = (),
) -> tuple[ClassCard, ...]:
    """Choose the thresholds of all classes on validation tiles, both (tiles, classes).

    A class of which `promised` has thresholds gets none that is laxer, and those where no
    tile shows it.
    """
    before = {item.code: item for item in promised}
    cards = []
    for i, code in enumerate(codes):
        card = class_card(code, targets[:, i], found[:, i])
        if old := before.get(code):
            card = _stricter(old, card) if (targets[:, i] == 1).any() else old
        cards.append(card)
    return tuple(cards)


def class_card(code: str, targets: Targets, probabilities: Probabilities) -> ClassCard:
    """Choose the thresholds of a class on validation tiles.

    `present_at` gives the best F1. `doubt_at` is the largest that still catches DOUBT_RECALL
    of the plants, but no larger than `present_at` or MOST_DOUBT_AT. Both lie midway between
    two found probabilities, where all thresholds make the same calls, so that a small shift
    changes none; neither lies below LEAST_DOUBT_AT. `treat_at` is the smallest one, no
    smaller than `present_at` or LEAST_TREAT_AT, of whose at least LEAST_TREAT_CALLS calls
    TREAT_PRECISION were right; None where there is none.
    """
    truth, known = only_known(targets, probabilities)
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


def at_temperature(card: ClassCard, temperature: float) -> ClassCard:
    """Return the thresholds that make the same calls once scores are divided by `temperature`."""

    def moved(threshold: float) -> float:
        return float(tempered(np.array([threshold], np.float32), temperature)[0])

    return replace(
        card,
        treat_at=None if card.treat_at is None else moved(card.treat_at),
        present_at=moved(card.present_at),
        doubt_at=moved(card.doubt_at),
    )


def _stricter(old: ClassCard, new: ClassCard) -> ClassCard:
    """Return the more careful thresholds: a garden's few validation tiles make none laxer."""
    treat_at = None
    if old.treat_at is not None and new.treat_at is not None:
        treat_at = max(old.treat_at, new.treat_at)
    return replace(new, treat_at=treat_at, doubt_at=min(old.doubt_at, new.doubt_at))
