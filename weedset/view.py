"""Between ground and pixels for one photo, whatever its lens and tilt.

A point (x, y) of the plane lies at (x, y, distance) from the lens in axes that point
right, to the picture's bottom edge and down; the pose turns these into camera axes, the
lens bends the ray (see `weedset.lens`), and focal length and centre make pixels of it.
"""

from __future__ import annotations

import math
from dataclasses import asdict, replace
from typing import Literal, cast

import numpy as np

from weedset.errors import CameraError
from weedset.fields import Fields
from weedset.lens import Floats, bend, unbend
from weedset.records import Distortion, View

#: How EXIF orientations 1 to 8 turn a picture: the upright axes from the stored ones
#: (EXIF 2.32, tag 0x0112).
_TURNS = {
    1: ((1, 0), (0, 1)),
    2: ((-1, 0), (0, 1)),
    3: ((-1, 0), (0, -1)),
    4: ((1, 0), (0, -1)),
    5: ((0, 1), (1, 0)),
    6: ((0, -1), (1, 0)),
    7: ((0, -1), (-1, 0)),
    8: ((0, 1), (-1, 0)),
}


def is_plain(view: View) -> bool:
    """Return whether the camera looks straight down through a lens that bends nothing."""
    bent = view.distortion is not None and (
        view.distortion.model == "fisheye" or any(view.distortion.coefficients)
    )
    return not bent and view.pitch_deg == 0 and view.roll_deg == 0


def rotation(pitch_deg: float, roll_deg: float) -> Floats:
    """Return the matrix (3, 3) from level axes (right, bottom edge, down) to camera axes."""
    cos_p, sin_p = math.cos(math.radians(pitch_deg)), math.sin(math.radians(pitch_deg))
    cos_r, sin_r = math.cos(math.radians(roll_deg)), math.sin(math.radians(roll_deg))
    pitched = np.array([[1, 0, 0], [0, cos_p, sin_p], [0, -sin_p, cos_p]])
    rolled = np.array([[cos_r, 0, -sin_r], [0, 1, 0], [sin_r, 0, cos_r]])
    return np.asarray(rolled @ pitched, dtype=np.float64)


def tilt_deg(view: View) -> float:
    """Return the angle between the optical axis and straight down."""
    cosine = math.cos(math.radians(view.pitch_deg)) * math.cos(math.radians(view.roll_deg))
    return math.degrees(math.acos(max(-1.0, min(1.0, cosine))))


def ground_to_pixels(view: View, points_mm: Floats) -> Floats:
    """Return upright pixels (..., 2) of points (..., 2) of the plane; NaN where not seen."""
    turn = np.array(_TURNS[view.orientation], dtype=np.float64)
    points = points_mm @ turn  # the turn is orthogonal: this undoes it
    if is_plain(view):
        picture = points / view.gsd_mm_per_px
    else:
        distance_mm, focal_px = _distance_and_focal(view)
        depth = np.full_like(points[..., :1], distance_mm)
        rays = np.concatenate([points, depth], axis=-1) @ rotation(view.pitch_deg, view.roll_deg).T
        with np.errstate(invalid="ignore"):
            picture = bend(view.distortion, rays) * focal_px
    return np.asarray((picture + _centre(view)) @ turn.T + _middle(view))


def pixels_to_ground(view: View, pixels_px: Floats) -> Floats:
    """Return points (..., 2) of the plane seen at upright pixels (..., 2).

    NaN where a pixel looks at or above the horizon, or sees nothing at all.
    """
    turn = np.array(_TURNS[view.orientation], dtype=np.float64)
    picture = (pixels_px - _middle(view)) @ turn - _centre(view)
    if is_plain(view):
        return np.asarray(picture * view.gsd_mm_per_px @ turn.T)
    distance_mm, focal_px = _distance_and_focal(view)
    rays = unbend(view.distortion, picture / focal_px) @ rotation(view.pitch_deg, view.roll_deg)
    with np.errstate(invalid="ignore"):
        down = np.where(rays[..., 2:] > 1e-6, rays[..., 2:], np.nan)
    return np.asarray(rays[..., :2] * (distance_mm / down) @ turn.T)


def to_stored(orientation: int, width_px: int, height_px: int, pixels_px: Floats) -> Floats:
    """Return pixels (..., 2) of the picture as stored, from those of the upright photo.

    `width_px` x `height_px` is the upright size.
    """
    turn = np.array(_TURNS[orientation], dtype=np.float64)
    middle = np.array([(width_px - 1) / 2, (height_px - 1) / 2])
    stored_middle = middle[::-1] if orientation >= 5 else middle
    return np.asarray((pixels_px - middle) @ turn + stored_middle)


def border_pixels(view: View, per_side: int = 65) -> Floats:
    """Return pixels (n, 2) round the outer edge of the upright photo."""
    x = np.linspace(-0.5, view.width_px - 0.5, per_side)
    y = np.linspace(-0.5, view.height_px - 0.5, per_side)
    sides = [np.stack([x, np.full_like(x, end)], axis=-1) for end in (y[0], y[-1])]
    sides += [np.stack([np.full_like(y, end), y], axis=-1) for end in (x[0], x[-1])]
    return np.concatenate(sides)


def check_view(view: View, where: str) -> None:
    """Refuse a view that shows more than ground; `where` names the photo or the profile.

    Raises CameraError for a camera that looks up or level, and where the horizon lies
    inside the photo. A fisheye sees wide by nature, so it may see the horizon as long as
    it looks down: what lies too far out is dropped cell by cell.
    """
    tilt = tilt_deg(view)
    fix = "give pitch_deg and roll_deg as the tilt from straight down, and hang the camera lower"
    if tilt >= 85 or abs(view.pitch_deg) >= 90 or abs(view.roll_deg) >= 90:
        what = f"the camera is tilted by {tilt:.0f} degrees, so it looks level or up, not down"
        raise CameraError(what, where=where, fix=fix)
    fisheye = view.distortion is not None and view.distortion.model == "fisheye"
    if is_plain(view) or fisheye:
        return
    if np.isnan(pixels_to_ground(view, border_pixels(view))).any():
        upright = replace(view, pitch_deg=0.0, roll_deg=0.0)
        reach = np.hypot(*pixels_to_ground(upright, border_pixels(view)).T)
        if np.isnan(reach).any():
            raise CameraError(
                "the distortion does not hold up to the edge of the photo",
                where=where,
                fix="calibrate with the board in the corners too, or use the fisheye model",
            )
        half_deg = math.degrees(math.atan(float(reach.max()) / _distance_and_focal(view)[0]))
        raise CameraError(
            f"the horizon is inside the photo: the camera is tilted by {tilt:.0f} degrees and "
            f"sees {half_deg:.0f} degrees to each side of its axis",
            where=where,
            fix=f"tilt it by less than {90 - half_deg:.0f} degrees, better by less than "
            f"{max(0.0, 60 - half_deg):.0f}",
        )


def view_record(view: View) -> dict[str, object]:
    """Return a view as plain values for JSON."""
    return asdict(view)


def read_view(fields: Fields) -> View:
    """Read a view that `view_record` wrote."""

    def number(name: str) -> float:
        return fields.number(name)

    return View(
        width_px=fields.whole("width_px", least=1, most=1_000_000),
        height_px=fields.whole("height_px", least=1, most=1_000_000),
        orientation=fields.whole("orientation", least=1, most=8),
        gsd_mm_per_px=fields.number("gsd_mm_per_px", above=0),
        distance_mm=fields.number("distance_mm", above=0) if "distance_mm" in fields else None,
        centre_x_px=number("centre_x_px"),
        centre_y_px=number("centre_y_px"),
        pitch_deg=number("pitch_deg"),
        roll_deg=number("roll_deg"),
        distortion=read_distortion(fields.table("distortion")) if "distortion" in fields else None,
    )


def read_distortion(fields: Fields) -> Distortion:
    """Read a distortion: its model and as many coefficients as that model has."""
    model = fields.choice("model", ("brown-conrady", "fisheye"))
    names = ("k1", "k2", "p1", "p2", "k3") if model == "brown-conrady" else ("k1", "k2", "k3", "k4")
    coefficients = fields.numbers("coefficients", least=-1000, most=1000)
    if len(coefficients) != len(names):
        what = f"has {len(coefficients)} numbers, while {model} takes {len(names)}"
        raise fields.complaint("coefficients", what, f"give {', '.join(names)}, in this order")
    fields.done()
    return Distortion(cast(Literal["brown-conrady", "fisheye"], model), coefficients)


def _middle(view: View) -> Floats:
    """Return the middle of the upright photo."""
    return np.array([(view.width_px - 1) / 2, (view.height_px - 1) / 2])


def _centre(view: View) -> Floats:
    """Return where the optical axis meets the stored picture, from the middle of that."""
    turned = view.orientation >= 5
    width_px, height_px = view.width_px, view.height_px
    stored = (height_px, width_px) if turned else (width_px, height_px)
    return np.array(
        [view.centre_x_px - (stored[0] - 1) / 2, view.centre_y_px - (stored[1] - 1) / 2]
    )


def _distance_and_focal(view: View) -> tuple[float, float]:
    if view.distance_mm is None:
        raise ValueError("a view of unknown distance is straight down and bends nothing")
    return view.distance_mm, view.distance_mm / view.gsd_mm_per_px
