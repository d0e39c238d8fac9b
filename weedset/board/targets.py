"""Where a machine finds what its camera saw: decisions in the machine's own frame.

The machine's frame: x forward, y to the left, in mm, seen from above (as ROS REP 103 has it,
from memory), from an origin of the builder's choice. A camera that is not turned has the top
edge of its upright photo in front.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

from weedset.board.classify import ClassifiedCell, ClassifiedPhoto
from weedset.errors import CameraError
from weedset.fields import read_toml
from weedset.modelcard import ModelCard
from weedset.records import Action


@dataclass(frozen=True, slots=True)
class Mounting:
    """Where on a machine a camera hangs.

    (`x_mm`, `y_mm`) is the point straight below the lens. `rotation_deg` is by how much the
    camera is turned about the vertical, counterclockwise seen from above. The uncertainties
    are one sigma.
    """

    x_mm: float
    y_mm: float
    rotation_deg: float = 0.0
    uncertainty_mm: float = 0.0
    rotation_uncertainty_deg: float = 0.0


@dataclass(frozen=True, slots=True)
class Target:
    """A cell as a machine needs it: only those whose `action` is TREAT may be acted on.

    (`x_mm`, `y_mm`) is its middle in the machine's frame, `uncertainty_mm` (one sigma) how
    far off that may lie; None where the camera profile does not tell. `species` is what the
    decision turned on, and `probability` the model's for it; both None without any.
    """

    x_mm: float
    y_mm: float
    uncertainty_mm: float | None
    species: str | None
    probability: float | None
    action: Action
    reason: str
    row: int
    col: int


def read_mounting(path: Path) -> Mounting:
    """Read a mounting from a TOML file with the fields of `Mounting`; x_mm and y_mm must be.

    Raises CameraError, naming file and field.
    """
    fields = read_toml(path, CameraError)
    optional = {
        "rotation_deg": (-360, 360),
        "uncertainty_mm": (0, 10_000),
        "rotation_uncertainty_deg": (0, 180),
    }
    fields.knows(*optional)
    mounting = Mounting(
        fields.number("x_mm", least=-100_000, most=100_000),
        fields.number("y_mm", least=-100_000, most=100_000),
        **{
            name: fields.number(name, least=least, most=most)
            for name, (least, most) in optional.items()
            if name in fields
        },
    )
    fields.done()
    return mounting


def targets(photo: ClassifiedPhoto, card: ModelCard, mounting: Mounting) -> list[Target]:
    """Return every cell of a photo in the machine's frame, row by row."""
    return [_target(cell, card, mounting) for cell in photo.cells]


def to_machine_mm(x_mm: float, y_mm: float, mounting: Mounting) -> tuple[float, float]:
    """Return where in the machine's frame a point of the photo's ground frame lies."""
    ahead, left = -y_mm, -x_mm
    turn = math.radians(mounting.rotation_deg)
    return (
        mounting.x_mm + math.cos(turn) * ahead - math.sin(turn) * left,
        mounting.y_mm + math.sin(turn) * ahead + math.cos(turn) * left,
    )


def off_in_machine_mm(cell: ClassifiedCell, mounting: Mounting) -> float | None:
    """Return how far off in the machine's frame a cell may lie (one sigma), if that is known."""
    if cell.uncertainty_mm is None:
        return None
    turned_mm = math.hypot(cell.x_mm, cell.y_mm) * math.radians(mounting.rotation_uncertainty_deg)
    return math.hypot(cell.uncertainty_mm, mounting.uncertainty_mm, turned_mm)


def _target(cell: ClassifiedCell, card: ModelCard, mounting: Mounting) -> Target:
    x_mm, y_mm = to_machine_mm(cell.x_mm, cell.y_mm, mounting)
    probability = None
    if cell.species is not None:
        probability = cell.probabilities[card.codes.index(cell.species)]
    return Target(
        x_mm=x_mm,
        y_mm=y_mm,
        uncertainty_mm=off_in_machine_mm(cell, mounting),
        species=cell.species,
        probability=probability,
        action=cell.decision.action,
        reason=cell.decision.reason,
        row=cell.row,
        col=cell.col,
    )
