"""Decisions as plain records, one per line of JSON: the same input gives the same text."""

from __future__ import annotations

from collections import Counter

from weedset.board.classify import ClassifiedPhoto
from weedset.modelcard import ModelCard
from weedset.records import Action
from weedset.view import tilt_deg


def photo_record(photo: ClassifiedPhoto) -> dict[str, object]:
    """Return the record that stands before a photo's cells: scale, model, policy, counts."""
    scale = photo.scale
    uncertainty = scale.uncertainty_mm_per_px
    return {
        "record": "photo",
        "photo": photo.name,
        "digest": photo.digest,
        "width_px": photo.width_px,
        "height_px": photo.height_px,
        "gsd_mm_per_px": round(scale.gsd_mm_per_px, 6),
        "gsd_uncertainty_mm_per_px": None if uncertainty is None else round(uncertainty, 6),
        "scale_source": str(scale.source),
        "scale_from_exif": scale.from_exif,
        "cell_mm": photo.grid.cell_mm,
        "tilt_deg": round(tilt_deg(photo.view), 2),
        "dropped": dict(photo.dropped),
        "rows": photo.grid.rows,
        "cols": photo.grid.cols,
        "model_digest": photo.model_digest,
        "policy": photo.policy.name,
        "counts": action_counts(photo),
    }


def cell_records(photo: ClassifiedPhoto, card: ModelCard) -> list[dict[str, object]]:
    """Return one record per cell, row by row; mm to a tenth, probabilities to 4 places.

    `probabilities` is empty where the model was not asked (a photo too coarse for it).
    """
    return [
        {
            "record": "cell",
            "photo": photo.name,
            "row": cell.row,
            "col": cell.col,
            "x_mm": _rounded(cell.x_mm, 1),
            "y_mm": _rounded(cell.y_mm, 1),
            "position_uncertainty_mm": (
                None if cell.uncertainty_mm is None else _rounded(cell.uncertainty_mm, 1)
            ),
            "probabilities": {
                code: _number_or_none(p)
                for code, p in zip(card.codes, cell.probabilities, strict=False)
            },
            "decision": str(cell.decision.action),
            "species": cell.species,
            "reason": cell.decision.reason,
        }
        for cell in photo.cells
    ]


def action_counts(photo: ClassifiedPhoto) -> dict[str, int]:
    """Return how many cells got each decision, every decision named."""
    counts = Counter(cell.decision.action for cell in photo.cells)
    return {str(action): counts[action] for action in Action}


def printable(text: str) -> str:
    """Return a stranger's text without what would steer a terminal or break a line."""
    return "".join(letter if letter.isprintable() else "?" for letter in text)


def _rounded(value: float, places: int) -> float:
    return round(value, places) + 0.0  # no -0.0


def _number_or_none(p: float) -> float | None:
    """JSON has no NaN and no infinity; a model that gives them has no probability to tell."""
    return _rounded(p, 4) if abs(p) < float("inf") else None
