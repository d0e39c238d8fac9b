"""The facts weedset passes around: frozen, with units in their names.

Frames. A photo is always meant upright, after any turning that its EXIF asks for.
Pixels: x to the right, y down, the centre of the first pixel at (0, 0), so that the
picture's edges lie at -0.5 and width - 0.5. Ground: millimetres, the origin where the
optical axis meets the ground, x to the right of the photo, y towards its bottom edge.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Literal

#: The group code under which a model says "some plant, whichever"; EPPO's code of the
#: plant kingdom, from memory.
ANY_PLANT = "1PLAK"

Edge = Literal["drop", "pad"]


@dataclass(frozen=True, slots=True)
class FieldOfView:
    """A lens known by the angle it sees across the width, the height or the diagonal."""

    angle_deg: float
    across: Literal["width", "height", "diagonal"]


@dataclass(frozen=True, slots=True)
class FocalLength:
    """A lens known by focal length and pixel pitch; None is to be filled from EXIF."""

    focal_length_mm: float | None
    pixel_pitch_um: float | None


@dataclass(frozen=True, slots=True)
class Equivalent35mm:
    """A lens known by the focal length that sees the same diagonal on a 36 x 24 mm frame."""

    focal_length_35mm_mm: float


Lens = FieldOfView | FocalLength | Equivalent35mm


@dataclass(frozen=True, slots=True)
class CameraProfile:
    """What is known of a camera that looks straight down.

    `width_px` x `height_px` is the picture that the profile speaks of, before any
    turning; None where it holds for whatever the camera delivers.
    """

    name: str
    height_mm: float | None
    height_uncertainty_mm: float | None
    lens: Lens | None
    declared_gsd_mm_per_px: float | None
    declared_uncertainty_mm_per_px: float | None
    width_px: int | None
    height_px: int | None


class ScaleSource(StrEnum):
    """Where a ground sample distance comes from."""

    DECLARED = "declared"
    FIELD_OF_VIEW = "height and field of view"
    FOCAL_LENGTH = "height and focal length"
    EQUIVALENT_35MM = "height and 35 mm equivalent"


@dataclass(frozen=True, slots=True)
class Scale:
    """A ground sample distance with its source; uncertainty (one sigma) None if not stated."""

    gsd_mm_per_px: float
    source: ScaleSource
    from_exif: bool
    uncertainty_mm_per_px: float | None


@dataclass(frozen=True, slots=True)
class ExifFacts:
    """What a photo's EXIF says that bears on scale and date; None where it is silent."""

    orientation: int = 1
    taken_at: str | None = None
    focal_length_mm: float | None = None
    focal_length_35mm_mm: float | None = None
    pixel_pitch_um: float | None = None
    digital_zoom: float | None = None


@dataclass(frozen=True, slots=True)
class GroundGrid:
    """Square cells laid on the ground under one photo.

    The outer corner of cell (row 0, col 0) lies at (`x_min_mm`, `y_min_mm`).
    """

    cell_mm: float
    rows: int
    cols: int
    x_min_mm: float
    y_min_mm: float


@dataclass(frozen=True, slots=True)
class Footprint:
    """A rectangle of ground, in mm."""

    x_min_mm: float
    y_min_mm: float
    x_max_mm: float
    y_max_mm: float


@dataclass(frozen=True, slots=True)
class Photo:
    """A photo that has been cut into tiles. `width_px` x `height_px` is its upright size."""

    digest: str
    name: str
    path: str
    width_px: int
    height_px: int
    taken_at: str | None
    camera: str
    scale: Scale
    grid: GroundGrid
    tile_px: int
    edge: Edge


@dataclass(frozen=True, slots=True)
class Tile:
    """The pixels of one cell, as a JPEG at `offset` in the archive of its photo.

    `inside_share` is the share of the cell that lies inside the photo (1 unless padded).
    """

    photo_digest: str
    row: int
    col: int
    footprint: Footprint
    gsd_mm_per_px: float
    inside_share: float
    offset: int
    length: int


@dataclass(frozen=True, slots=True)
class Batch:
    """The photos of one site on one day, and what their labels may be held to.

    `looked_for` is the checklist: absence counts only for these species.
    """

    id: str
    site: str
    taken_on: str
    giver: str
    licence: str
    looked_for: tuple[str, ...]


class Verdict(StrEnum):
    """What an annotator says of a tile as a whole."""

    PLANTS = "plants"
    BARE = "bare"
    CANNOT_TELL = "cannot tell"


class Origin(StrEnum):
    """How a label came about."""

    MASK = "mask"
    TABLE = "table"
    PAGE = "page"
    SUGGESTION = "suggestion"
    REVIEW = "review"


@dataclass(frozen=True, slots=True)
class Statement:
    """What one annotator says of one tile, at one time.

    `present` are the species seen (labels are sets: a cell may hold several plants);
    `doubtful` those that may or may not be there, so that neither presence nor absence
    counts; `unknown_plant` says that there is a plant the annotator could not name.
    """

    annotator: str
    origin: Origin
    verdict: Verdict
    present: frozenset[str] = frozenset()
    doubtful: frozenset[str] = frozenset()
    unknown_plant: bool = False
    stages: tuple[tuple[str, int], ...] = ()


@dataclass(frozen=True, slots=True)
class Opinion:
    """A statement as the store keeps it, numbered in the order in which they were made.

    `statement` is None where the annotator took back what they said before.
    """

    id: int
    annotator: str
    origin: Origin
    made_at: str
    statement: Statement | None


@dataclass(frozen=True, slots=True)
class LabelledTile:
    """A tile with the statement that stands for it and the checklist it was made under."""

    tile: Tile
    photo_name: str
    batch_id: str
    site: str
    taken_at: str | None
    looked_for: frozenset[str]
    statement: Statement


class Action(StrEnum):
    """What a decision says to do with a cell. Only TREAT lets a machine act."""

    TREAT = "treat"
    LEAVE = "leave"
    UNSURE = "unsure"


@dataclass(frozen=True, slots=True)
class Policy:
    """A garden's choice: which species to remove. All others are protected.

    `protect` names species that need no saying so, for the reader's peace of mind.
    """

    name: str
    remove: frozenset[str]
    protect: frozenset[str]


@dataclass(frozen=True, slots=True)
class Decision:
    """What to do with a cell, and why, in words."""

    action: Action
    reason: str
