"""What leaving each site out has shown, for people and for programs."""

from __future__ import annotations

from typing import Any

from training.evaluation.evaluation_text import (
    decision_lines,
    note_lines,
    part_lines,
    row_lines,
    species_lines,
    worked_out,
)
from training.evaluation.leave_one_out import LeftOut


def left_out_record(found: LeftOut) -> dict[str, Any]:
    """Return the pooled scores as a record for JSON."""
    record = worked_out(found)
    return {**record, **record.pop("scores"), "record": "leave-one-out", "sites": list(found.sites)}


def left_out_table(found: LeftOut) -> str:
    """Return the pooled scores as text for people."""
    scores = found.scores
    lines = [
        f"recipe {found.recipe}: {scores.cells} cells of {len(found.sites)} sites, each judged by "
        "a model that never saw it",
        "",
        *species_lines(scores),
        "",
        *decision_lines(scores, found.policy),
    ]
    if found.row is not None:
        lines += ["", *row_lines(found.row)]
    lines += part_lines(scores.parts)
    return "\n".join([*lines, *note_lines(scores)])
