"""The facts weedset passes around: frozen, with units in their names.

Frames. A photo is always meant upright, after any turning that its EXIF asks for.
Pixels: x to the right, y down, the centre of the first pixel at (0, 0), so that the
picture's edges lie at -0.5 and width - 0.5. Ground: millimetres, the origin straight below
the lens, x to the right of the photo, y towards its bottom edge. Lens and pose speak of
the picture as the camera stored it, before any turning: they are fixed to the camera.
"""

from __future__ import annotations

import re
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


@dataclass(frozen=True, slots=True)
class CalibratedLens:
    """A lens known by calibration, in pixels of the profile's picture.

    (`centre_x_px`, `centre_y_px`) is where the optical axis meets the picture. The
    uncertainties are one sigma, None where not stated.
    """

    focal_px: float
    centre_x_px: float
    centre_y_px: float
    focal_uncertainty_px: float | None = None
    centre_uncertainty_px: float | None = None


Lens = FieldOfView | FocalLength | Equivalent35mm | CalibratedLens


@dataclass(frozen=True, slots=True)
class Distortion:
    """How a lens bends straight lines.

    "brown-conrady": k1, k2, p1, p2, k3; "fisheye" (equidistant): k1, k2, k3, k4. Both as
    OpenCV defines them.
    """

    model: Literal["brown-conrady", "fisheye"]
    coefficients: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Pose:
    """How a camera hangs: both 0 is straight down; uncertainty (one sigma) None if not stated.

    `pitch_deg` tips the view towards the top edge of the picture, `roll_deg` then tips it
    towards the right edge.
    """

    pitch_deg: float = 0.0
    roll_deg: float = 0.0
    uncertainty_deg: float | None = None


@dataclass(frozen=True, slots=True)
class Plants:
    """How high plants stand above the soil: the grid lies at `height_mm`.

    `least_mm` to `most_mm` is the range to expect; it gives the error to reckon with.
    """

    height_mm: float = 0.0
    least_mm: float = 0.0
    most_mm: float = 0.0


@dataclass(frozen=True, slots=True)
class Calibration:
    """How a profile came about: for people, and for a later check."""

    on: str
    photos: int
    reprojection_error_px: float


@dataclass(frozen=True, slots=True)
class CameraProfile:
    """What is known of a camera and how it hangs.

    `height_mm` is measured from the lens straight down to the soil. `width_px` x
    `height_px` is the picture that the profile speaks of, before any turning; None where
    it holds for whatever the camera delivers.
    """

    name: str
    height_mm: float | None
    height_uncertainty_mm: float | None
    lens: Lens | None
    declared_gsd_mm_per_px: float | None
    declared_uncertainty_mm_per_px: float | None
    width_px: int | None
    height_px: int | None
    pose: Pose = Pose()
    distortion: Distortion | None = None
    plants: Plants = Plants()
    known_object: bool = False
    calibration: Calibration | None = None


class ScaleSource(StrEnum):
    """Where a ground sample distance comes from."""

    DECLARED = "declared"
    FIELD_OF_VIEW = "height and field of view"
    FOCAL_LENGTH = "height and focal length"
    EQUIVALENT_35MM = "height and 35 mm equivalent"
    KNOWN_OBJECT = "object of known length"
    CALIBRATION = "calibration"


@dataclass(frozen=True, slots=True)
class Scale:
    """A ground sample distance with its source; uncertainty (one sigma) None if not stated.

    It holds on the plane of the grid: everywhere in a straight-down photo, and at the
    isocentre (halfway by angle between straight down and the optical axis) of a tilted one.
    """

    gsd_mm_per_px: float
    source: ScaleSource
    from_exif: bool
    uncertainty_mm_per_px: float | None


@dataclass(frozen=True, slots=True)
class View:
    """How one photo sees the level plane on which its grid lies.

    `width_px` x `height_px` is the upright size, `orientation` the EXIF turning that led
    there. `gsd_mm_per_px` is distance over focal length, see `Scale`. `distance_mm` is
    from the lens straight down to the plane; None where only a scale is known, and then
    the camera looks straight down without distortion. Centre, pose and distortion speak of
    the picture as stored.
    """

    width_px: int
    height_px: int
    orientation: int
    gsd_mm_per_px: float
    distance_mm: float | None
    centre_x_px: float
    centre_y_px: float
    pitch_deg: float = 0.0
    roll_deg: float = 0.0
    distortion: Distortion | None = None


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
class CellLimits:
    """Which cells of a photo are good enough to keep; None where any scale will do.

    60 degrees from straight down: from there on a plant's top is displaced by more than
    1.7 times its height. Common practice, no source.
    """

    worst_gsd_mm_per_px: float | None = None
    most_oblique_deg: float = 60.0


@dataclass(frozen=True, slots=True)
class Footprint:
    """A rectangle of ground, in mm."""

    x_min_mm: float
    y_min_mm: float
    x_max_mm: float
    y_max_mm: float


@dataclass(frozen=True, slots=True)
class Quality:
    """How good a photo or tile is: see `weedset.quality` for how each is measured.

    `sharpness` is a variance and compares like ground only; `brightness` goes from 0 to 1;
    all others are shares of the pixels.
    """

    sharpness: float
    brightness: float
    overexposed: float
    underexposed: float
    shadow: float
    glare: float
    vegetation: float


@dataclass(frozen=True, slots=True)
class QualityLimits:
    """What is good enough: least and most of each measure; None where anything will do."""

    least_sharpness: float | None = None
    least_brightness: float | None = None
    most_brightness: float | None = None
    most_overexposed: float | None = None
    most_underexposed: float | None = None
    most_shadow: float | None = None
    most_glare: float | None = None
    least_vegetation: float | None = None
    most_vegetation: float | None = None


@dataclass(frozen=True, slots=True)
class Photo:
    """A photo that has been cut into tiles. `width_px` x `height_px` is its upright size.

    `camera` is the name of the whole `profile`; `view` is what came of it and the EXIF.
    `dropped` counts by reason the cells that were in the photo but not worth keeping.
    """

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
    profile: CameraProfile
    view: View
    limits: CellLimits = CellLimits()
    dropped: tuple[tuple[str, int], ...] = ()
    quality: Quality | None = None


@dataclass(frozen=True, slots=True)
class Tile:
    """The pixels of one cell, as a JPEG at `offset` in the archive of its photo.

    `gsd_mm_per_px` is the worst in the cell, in any direction. `inside_share` is the share
    of the cell that lies inside the photo (1 unless padded). `oblique_deg` is the angle at
    which its middle is seen, 0 being straight down. `relief_scale_error` is by what share
    a plant may look larger or smaller than it is, for the range of plant heights, and
    `position_uncertainty_mm` (one sigma) how far off the middle may lie, in any direction.
    Each is None where it cannot be known from what the profile states.
    """

    photo_digest: str
    row: int
    col: int
    footprint: Footprint
    gsd_mm_per_px: float
    inside_share: float
    offset: int
    length: int
    oblique_deg: float | None = None
    relief_scale_error: float | None = None
    position_uncertainty_mm: float | None = None
    quality: Quality | None = None


#: What a site may be called.
SITE_NAME = re.compile(r"[\w][\w .-]{0,59}")


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
    OUTLINE = "outline"
    FOLDER = "folder"
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
class LoosePicture:
    """A picture of unknown ground scale, with what is said of it as a whole."""

    digest: str
    statement: Statement


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
