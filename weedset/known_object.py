"""Scale from, and checks by, something of known length that lies on the ground."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from weedset.cells import worst_gsd_mm_per_px
from weedset.corners import SQUARE_MM, SQUARES, SeenBoard
from weedset.errors import CameraError
from weedset.images import OpenedPhoto
from weedset.lens import Floats
from weedset.records import CalibratedLens, CameraProfile, ExifFacts, Plants, View
from weedset.scale import photo_scale, photo_view
from weedset.view import pixels_to_ground

#: A profile agrees where it is off by less than this, or by two sigma if that is more.
_TOLERANCE = 0.01
_SIGMAS = 2.0

#: Shorter than this in the photo, an end's uncertainty spoils the scale.
_SHORTEST_PX = 50.0


@dataclass(frozen=True, slots=True)
class KnownLength:
    """Two points in an upright photo, in px, and how far apart they are on the ground.

    `pointing_px` is how well each end was pointed at and `uncertainty_mm` how well the
    length is known, both one sigma.
    """

    first_px: tuple[float, float]
    second_px: tuple[float, float]
    length_mm: float
    uncertainty_mm: float
    pointing_px: float = 2.0


@dataclass(frozen=True, slots=True)
class Agreement:
    """How lengths by a profile compare with the truth.

    `ratio` is length by the profile over true length, `expected` (one sigma, as a share)
    how far from 1 it may well be; `tilt_left_deg` is the tilt that a board on the ground
    shows beyond that of the profile, None where only one length is known.
    """

    ratio: float
    expected: float
    lengths: int
    tilt_left_deg: float | None

    @property
    def agrees(self) -> bool:
        """Whether the profile may be trusted as it stands."""
        return abs(self.ratio - 1) <= max(_TOLERANCE, _SIGMAS * self.expected)


def profile_from_length(
    known: KnownLength, opened: OpenedPhoto, name: str, where: str
) -> CameraProfile:
    """Return a profile that states the scale which a known length gives.

    The camera is taken to look straight down. `opened` is the upright photo.

    Raises CameraError where the two points are too close together or outside the photo.
    """
    length_px = _length_px(known, opened, where)
    gsd = known.length_mm / length_px
    share = _share(known, length_px)
    stored = (opened.width_px, opened.height_px)
    if opened.exif.orientation >= 5:
        stored = stored[::-1]
    return CameraProfile(
        name=name,
        height_mm=None,
        height_uncertainty_mm=None,
        lens=None,
        declared_gsd_mm_per_px=gsd,
        declared_uncertainty_mm_per_px=gsd * share,
        width_px=stored[0],
        height_px=stored[1],
        known_object=True,
    )


def height_from_length(
    known: KnownLength, opened: OpenedPhoto, profile: CameraProfile, where: str
) -> CameraProfile:
    """Return `profile` with the height at which the known length comes out right.

    For a camera whose lens (and tilt) is known but whose height has changed.
    """
    length_px = _length_px(known, opened, where)
    if profile.lens is None:
        fix = "leave out --camera: then the scale itself is taken from the object"
        raise CameraError("has no lens, so no height follows", where=profile.name, fix=fix)
    guess = replace(profile, height_mm=1000.0, plants=Plants())
    view = photo_view(guess, opened.exif, opened.width_px, opened.height_px, where)
    height_mm = 1000.0 * known.length_mm / _length_mm(view, known, where)
    focal = 0.0
    if isinstance(profile.lens, CalibratedLens) and profile.lens.focal_uncertainty_px:
        focal = profile.lens.focal_uncertainty_px / profile.lens.focal_px
    share = math.hypot(_share(known, length_px), focal)
    return replace(profile, height_mm=height_mm, height_uncertainty_mm=height_mm * share)


def check_length(
    known: KnownLength, opened: OpenedPhoto, profile: CameraProfile, where: str
) -> Agreement:
    """Compare one known length on the soil with what the profile makes of it.

    Raises CameraError as `profile_from_length`, and where an end looks at the sky.
    """
    length_px = _length_px(known, opened, where)
    soil = replace(profile, plants=Plants())
    view = photo_view(soil, opened.exif, opened.width_px, opened.height_px, where)
    ratio = _length_mm(view, known, where) / known.length_mm
    scale = photo_scale(soil, opened.exif, opened.width_px, opened.height_px, where)
    of_scale = (scale.uncertainty_mm_per_px or 0.0) / scale.gsd_mm_per_px
    return Agreement(ratio, math.hypot(_share(known, length_px), of_scale), 1, None)


def check_board(
    board: SeenBoard, profile: CameraProfile, ruler_share: float, where: str
) -> Agreement:
    """Compare all squares of a board that lies on the ground with what the profile says.

    `ruler_share` is the printed ruler's true length over its nominal one.
    """
    soil = replace(profile, plants=Plants())
    view = photo_view(soil, ExifFacts(), board.width_px, board.height_px, where)
    ground = pixels_to_ground(view, board.pixels)
    if np.isnan(ground).any():
        raise CameraError("shows the board at the horizon of this profile", where=where)
    grid = ground.reshape(SQUARES[1] - 1, SQUARES[0] - 1, 2)
    square_mm = SQUARE_MM * ruler_share
    along = np.linalg.norm(np.diff(grid, axis=1), axis=-1) / square_mm
    down = np.linalg.norm(np.diff(grid, axis=0), axis=-1) / square_mm
    ratio = float(np.concatenate([along.ravel(), down.ravel()]).mean())
    scale = photo_scale(soil, ExifFacts(), board.width_px, board.height_px, where)
    of_scale = (scale.uncertainty_mm_per_px or 0.0) / scale.gsd_mm_per_px
    tilt = _tilt_left_deg(grid, view)
    return Agreement(ratio, of_scale, along.size + down.size, tilt)


def _tilt_left_deg(grid: Floats, view: View) -> float | None:
    """Return the tilt between the ground of the profile and that of the board, about.

    A tilt by t that is left shows as a scale that changes over the ground: by tan t over
    the distance of the camera.
    """
    if view.distance_mm is None:
        return None
    places = (grid[:-1, :-1] + grid[1:, 1:]) / 2
    one, other = grid[1:, 1:] - grid[:-1, :-1], grid[1:, :-1] - grid[:-1, 1:]
    area = np.abs(one[..., 0] * other[..., 1] - one[..., 1] * other[..., 0])
    # An area goes with the third power of how near it is.
    nearness = np.cbrt(area).ravel()
    rows = np.column_stack([places.reshape(-1, 2), np.ones(nearness.size)])
    slope_x, slope_y, level = np.linalg.lstsq(rows, nearness, rcond=None)[0]
    return math.degrees(math.atan(math.hypot(slope_x, slope_y) / level * view.distance_mm))


def _length_px(known: KnownLength, opened: OpenedPhoto, where: str) -> float:
    for x, y in (known.first_px, known.second_px):
        if not (-0.5 <= x <= opened.width_px - 0.5 and -0.5 <= y <= opened.height_px - 0.5):
            size = f"{opened.width_px} x {opened.height_px} px when upright"
            what = f"({x:g}, {y:g}) is not in the photo, which is {size}"
            fix = "count pixels from its upper left corner: first to the right, then down"
            raise CameraError(what, where=where, fix=fix)
    length_px = math.dist(known.first_px, known.second_px)
    if length_px < _SHORTEST_PX:
        raise CameraError(
            f"the two points are {length_px:.0f} px apart, too close to measure by",
            where=where,
            fix=f"point at the ends of something longer: at least {_SHORTEST_PX:g} px",
        )
    return length_px


def _length_mm(view: View, known: KnownLength, where: str) -> float:
    ends = pixels_to_ground(view, np.array([known.first_px, known.second_px]))
    if not np.isfinite(ends).all() or not np.isfinite(worst_gsd_mm_per_px(view, ends)).all():
        raise CameraError("a point does not look at the ground", where=where)
    return float(np.linalg.norm(ends[1] - ends[0]))


def _share(known: KnownLength, length_px: float) -> float:
    """Return the uncertainty of the scale as a share: two ends, and the length itself."""
    of_ends = math.sqrt(2) * known.pointing_px / length_px
    return math.hypot(of_ends, known.uncertainty_mm / known.length_mm)
