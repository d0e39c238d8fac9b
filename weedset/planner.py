"""What a camera at a height will see, how sharply, and how fast a machine may go under it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from weedset.board.speeds import Processor, Work, expected, speeds
from weedset.cells import cells_in_view
from weedset.errors import CameraError
from weedset.records import CameraProfile, CellLimits, ExifFacts, FocalLength
from weedset.scale import photo_view

#: Pixels across a leaf from which it can be seen as a plant, and from which it can be named:
#: 4 and 6.4 pairs of lines across, Johnson 1958 (from memory). It speaks of people looking at
#: screens; for nets that look at leaves it is common practice, no source.
SEEN_PX = 8.0
NAMED_PX = 13.0

#: Motion blurs a photo visibly from one pixel on. Common practice, no source.
BLUR_PX = 1.0

#: The circle of confusion, in pixels: a Bayer pattern hides less. Common practice, no source.
_CONFUSION_PX = 2.0

#: The boards of whose processor something is published, by its short name.
BOARDS = {board.processor.removeprefix("Cortex-").lower(): board for board in speeds().processors}


@dataclass(frozen=True, slots=True)
class Trip:
    """What is to be planned beside the camera itself.

    `input_px` and `net_mmac` are the model's input side and its multiply-accumulates per
    cell in millions. `speed_mm_per_s`, `exposure_ms` and `f_number` are None where not
    known. `along_width` says that the machine travels across the photo, not up or down.
    """

    width_px: int
    height_px: int
    cell_mm: float
    input_px: int
    board: Processor
    net_mmac: float
    speed_mm_per_s: float | None = None
    exposure_ms: float | None = None
    f_number: float | None = None
    along_width: bool = False

    @property
    def model_mm_per_px(self) -> float:
        """The scale of the model's own pixels: it sees nothing finer, whatever the photo shows."""
        return self.cell_mm / self.input_px


@dataclass(frozen=True, slots=True)
class Plan:
    """What comes of a camera at one height; ranges are (low, likely, high).

    `worst_gsd_mm_per_px` is what a tile shows at its worst: no finer than the model's own
    pixels. `covered_mm` is the ground under whole cells (along the travel, across it).
    `sharp_mm` is the range of distances in focus, focussed on the ground; its far end may
    be infinite. `overlap` is negative where ground is left out between photos.
    """

    height_mm: float
    gsd_mm_per_px: float
    worst_gsd_mm_per_px: float
    covered_mm: tuple[float, float]
    cells: int
    leaf_seen_mm: float
    leaf_named_mm: float
    photo_ms: tuple[float, float, float]
    gapless_speed_mm_per_s: tuple[float, float, float]
    sharp_speed_mm_per_s: float | None
    blur_mm: float | None
    blur_px: float | None
    overlap: tuple[float, float, float] | None
    sharp_mm: tuple[float, float] | None


def plan(profile: CameraProfile, trip: Trip, where: str = "") -> Plan:
    """Plan for the height that the profile states; complaints name `where` it was read.

    Raises CameraError or PhotoError where the camera shows no whole cell, or its scale or
    height is not known.
    """
    where = where or profile.name
    height_mm = _known_height_mm(profile, where)
    view = photo_view(profile, ExifFacts(), trip.width_px, trip.height_px, where)
    shown = cells_in_view(view, trip.cell_mm, "drop", CellLimits(), where)
    worst = max(float(shown.gsd_mm_per_px[shown.kept].max()), trip.model_mm_per_px)
    length, across = shown.grid.rows * trip.cell_mm, shown.grid.cols * trip.cell_mm
    if trip.along_width:
        length, across = across, length
    cells = int(shown.kept.sum())
    low_ms, likely_ms, high_ms = photo_ms = _photo_ms(trip, cells)
    gapless = (length / high_ms * 1000, length / likely_ms * 1000, length / low_ms * 1000)
    blur_mm = sharp_speed = overlap = None
    if trip.exposure_ms is not None:
        sharp_speed = BLUR_PX * view.gsd_mm_per_px / trip.exposure_ms * 1000
        if trip.speed_mm_per_s is not None:
            blur_mm = trip.speed_mm_per_s * trip.exposure_ms / 1000
    if trip.speed_mm_per_s is not None:
        steps = [trip.speed_mm_per_s * ms / 1000 for ms in (high_ms, likely_ms, low_ms)]
        overlap = (1 - steps[0] / length, 1 - steps[1] / length, 1 - steps[2] / length)
    return Plan(
        height_mm=height_mm,
        gsd_mm_per_px=view.gsd_mm_per_px,
        worst_gsd_mm_per_px=worst,
        covered_mm=(length, across),
        cells=cells,
        leaf_seen_mm=SEEN_PX * worst,
        leaf_named_mm=NAMED_PX * worst,
        photo_ms=photo_ms,
        gapless_speed_mm_per_s=gapless,
        sharp_speed_mm_per_s=sharp_speed,
        blur_mm=blur_mm,
        blur_px=None if blur_mm is None else blur_mm / view.gsd_mm_per_px,
        overlap=overlap,
        sharp_mm=_sharp_mm(profile, trip.f_number),
    )


def plans(
    profile: CameraProfile, trip: Trip, heights_mm: Sequence[float], where: str = ""
) -> list[Plan]:
    """Plan for other heights of the same camera. Raises as `plan`."""
    return [plan(at_height(profile, height, where), trip, where) for height in heights_mm]


def at_height(profile: CameraProfile, height_mm: float, where: str = "") -> CameraProfile:
    """Return the profile of the same camera hung at another height."""
    where = where or profile.name
    known_mm = _known_height_mm(profile, where)
    if height_mm <= profile.plants.most_mm:
        raise CameraError(
            f"at {height_mm:g} mm the lens would be among the plants, which reach "
            f"{profile.plants.most_mm:g} mm",
            where=where,
            fix="plan for greater heights",
        )
    declared = profile.declared_gsd_mm_per_px
    grown = height_mm / known_mm
    return replace(
        profile,
        height_mm=height_mm,
        declared_gsd_mm_per_px=None if declared is None else declared * grown,
    )


def _known_height_mm(profile: CameraProfile, where: str) -> float:
    if profile.height_mm is None:
        fix = "measure from the lens to the soil and add `height_mm = ...` below the name"
        raise CameraError("states a scale but no height to plan from", where=where, fix=fix)
    return profile.height_mm


def _photo_ms(trip: Trip, cells: int) -> tuple[float, float, float]:
    """Return how long a photo takes on the board, all its cores at work: (low, likely, high)."""
    work = Work(cells, trip.net_mmac, trip.width_px * trip.height_px / 1e6)
    time = expected(trip.board, work, trip.board.clock_mhz, trip.board.cores)
    return time.least_ms, time.about_ms, time.most_ms


def depth_of_field_mm(
    focal_mm: float, f_number: float, confusion_mm: float, distance_mm: float
) -> tuple[float, float]:
    """Return the nearest and the farthest distance in focus; the latter may be infinite.

    Hyperfocal distance h = f^2 / (N c) + f; near = s (h - f) / (h + s - 2 f),
    far = s (h - f) / (h - s): the thin lens, as in any text on photographic optics.
    """
    hyperfocal = focal_mm**2 / (f_number * confusion_mm) + focal_mm
    reach = distance_mm * (hyperfocal - focal_mm)
    near = reach / (hyperfocal + distance_mm - 2 * focal_mm)
    far = math.inf if distance_mm >= hyperfocal else reach / (hyperfocal - distance_mm)
    return near, far


def _sharp_mm(profile: CameraProfile, f_number: float | None) -> tuple[float, float] | None:
    lens = profile.lens
    if f_number is None or profile.height_mm is None or not isinstance(lens, FocalLength):
        return None
    if lens.focal_length_mm is None or lens.pixel_pitch_um is None:
        return None
    confusion_mm = _CONFUSION_PX * lens.pixel_pitch_um / 1000
    return depth_of_field_mm(lens.focal_length_mm, f_number, confusion_mm, profile.height_mm)


def in_words(now: Plan, then: Plan) -> str:
    """Say what changes between two heights."""
    verb = "Raising" if then.height_mm > now.height_mm else "Lowering"
    ground = math.prod(then.covered_mm) / math.prod(now.covered_mm)
    speed = then.gapless_speed_mm_per_s[1] / now.gapless_speed_mm_per_s[1]
    leaf = f"goes from {now.leaf_named_mm:.1f} to {then.leaf_named_mm:.1f} mm"
    if now.leaf_named_mm == then.leaf_named_mm:
        leaf = f"stays at {now.leaf_named_mm:.1f} mm"
    text = (
        f"{verb} the camera from {now.height_mm:.0f} to {then.height_mm:.0f} mm: a photo covers "
        f"{ground:.2g} times the ground, the smallest leaf that can be named {leaf}, "
        f"and the highest speed without gaps becomes {speed:.2g} times as high"
    )
    if now.blur_px is not None and then.blur_px is not None:
        text += f"; motion blur goes from {now.blur_px:.1f} to {then.blur_px:.1f} px"
    return text + "."
