"""Decisions as plain records, one per line of JSON: the same input gives the same text."""

from __future__ import annotations

from collections import Counter
from dataclasses import asdict

from weedset.board.classify import ClassifiedPhoto
from weedset.board.gate import Gate, GateTally
from weedset.board.guards import beside_in_words
from weedset.errors import printable
from weedset.modelcard import ModelCard
from weedset.records import Action
from weedset.view import tilt_deg


def photo_record(photo: ClassifiedPhoto, card: ModelCard) -> dict[str, object]:
    """Return the record that stands before a photo's cells: scale, model, policy, counts.

    `fault` is why nothing in it may be acted on, null where something may.
    """
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
        "fault": photo.fault,
        "gate": None if photo.gate is None else _gate_record(photo, photo.gate, card),
    }


def cell_records(photo: ClassifiedPhoto, card: ModelCard) -> list[dict[str, object]]:
    """Return one record per cell, row by row; mm to a tenth, probabilities to 4 places.

    `probabilities` is empty where the model was not asked: a photo too coarse for it, or a
    cell that the gate skipped. `green` is null without a gate.
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
            "green": None if cell.green is None else _rounded(cell.green, 4),
            "reason": cell.decision.reason,
        }
        for cell in photo.cells
    ]


def gate_tally(photo: ClassifiedPhoto, card: ModelCard) -> GateTally:
    """Return what the photo's gate skipped and what its audit found; all 0 without a gate."""
    if photo.gate is None:
        return GateTally(0, 0, 0)
    least = photo.gate.least_green
    audited = [
        cell
        for cell in photo.cells
        if cell.green is not None and cell.green < least and cell.probabilities and not cell.skipped
    ]
    with_plant = sum(
        any(p >= item.present_at for p, item in zip(cell.probabilities, card.classes, strict=True))
        for cell in audited
    )
    return GateTally(sum(cell.skipped for cell in photo.cells), len(audited), with_plant)


def _gate_record(photo: ClassifiedPhoto, gate: Gate, card: ModelCard) -> dict[str, object]:
    return {**asdict(gate), **asdict(gate_tally(photo, card))}


def action_counts(photo: ClassifiedPhoto) -> dict[str, int]:
    """Return how many cells got each decision, every decision named."""
    counts = Counter(cell.decision.action for cell in photo.cells)
    return {str(action): counts[action] for action in Action}


def photo_line(photo: ClassifiedPhoto) -> str:
    """Return what was decided on a photo in a line for people, with why all or some is left."""
    counts = action_counts(photo)
    tally = ", ".join(f"{counts[action]} {action}" for action in Action)
    return f"{printable(photo.name)}: {len(photo.cells)} cells: {tally}{_why_left(photo)}"


def _why_left(photo: ClassifiedPhoto) -> str:
    reasons = [cell.decision.reason for cell in photo.cells]
    if photo.fault is None and len(set(reasons)) > 1:
        beside = beside_in_words(photo)
        return f"  ({beside})" if beside else ""
    turned = any(cell.species for cell in photo.cells)
    return f"  ({photo.fault or reasons[0]})" if photo.fault or not turned else ""


def _rounded(value: float, places: int) -> float:
    return round(value, places) + 0.0  # no -0.0


def _number_or_none(p: float) -> float | None:
    """JSON has no NaN and no infinity; a model that gives them has no probability to tell."""
    return _rounded(p, 4) if abs(p) < float("inf") else None
