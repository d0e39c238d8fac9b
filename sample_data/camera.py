"""The camera of the drawn photos: where a point of the ground falls in the picture, and back.

Ground frame, in mm: the origin lies under the lens, x runs to the right of the picture, y towards
its bottom edge, heights count upwards from the ground. Pixel frame: centres of pixels are
integers, so the picture spans -0.5 to width - 0.5 (the OpenCV convention).

With world coordinates (x, y, -height) this is the model of ``cv2.projectPoints`` (Brown-Conrady
distortion) and of ``cv2.fisheye.projectPoints`` (equidistant fisheye); the tests compare them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Lens = Literal["pinhole", "fisheye"]

_STEPS = 50  # Newton steps; mild lenses need about 5
_SETTLED = 1e-12


@dataclass(frozen=True)
class Camera:
    """A drawn camera and its pose over flat ground.

    ``height_mm`` is measured from the lens straight down. ``pitch_deg`` tips the view towards the
    top edge of the picture, ``roll_deg`` then tips it towards the right edge; both 0 is straight
    down. For a ``pinhole`` the distortion is k1, k2, p1, p2, k3; for a ``fisheye`` it is k1 to k4.
    The principal point defaults to the middle of the picture.
    """

    width_px: int
    height_px: int
    focal_px: float
    height_mm: float
    pitch_deg: float = 0.0
    roll_deg: float = 0.0
    centre_x_px: float | None = None
    centre_y_px: float | None = None
    lens: Lens = "pinhole"
    k1: float = 0.0
    k2: float = 0.0
    p1: float = 0.0
    p2: float = 0.0
    k3: float = 0.0
    k4: float = 0.0

    @property
    def principal_point_px(self) -> tuple[float, float]:
        """Where the optical axis meets the picture: (x, y) in px."""
        x = (self.width_px - 1) / 2 if self.centre_x_px is None else self.centre_x_px
        y = (self.height_px - 1) / 2 if self.centre_y_px is None else self.centre_y_px
        return x, y

    @property
    def is_plain(self) -> bool:
        """Whether the camera looks straight down through a lens that keeps lines straight."""
        bent = self.lens != "pinhole" or any((self.k1, self.k2, self.p1, self.p2, self.k3))
        return not bent and self.pitch_deg == 0 and self.roll_deg == 0

    @property
    def gsd_mm_per_px(self) -> float:
        """Ground sample distance H/f: everywhere for a plain camera, at the isocentre if tilted."""
        return self.height_mm / self.focal_px


def footprint_mm(camera: Camera) -> tuple[float, float]:
    """Width and height of the ground in the picture of a plain camera, edge to edge, in mm.

    Raises ValueError for a tilted or bent camera, whose footprint is no rectangle.
    """
    if not camera.is_plain:
        raise ValueError("only a straight-down camera without distortion has a rectangular view")
    gsd = camera.gsd_mm_per_px
    return camera.width_px * gsd, camera.height_px * gsd


def rotation(camera: Camera) -> Floats:
    """Rotation (3, 3) from world axes (x right, y to the bottom edge, z down) to camera axes."""
    pitch, roll = math.radians(camera.pitch_deg), math.radians(camera.roll_deg)
    cos_p, sin_p, cos_r, sin_r = math.cos(pitch), math.sin(pitch), math.cos(roll), math.sin(roll)
    pitched = np.array([[1, 0, 0], [0, cos_p, sin_p], [0, -sin_p, cos_p]])
    rolled = np.array([[cos_r, 0, -sin_r], [0, 1, 0], [sin_r, 0, cos_r]])
    return np.asarray(rolled @ pitched, dtype=np.float64)


def ground_to_pixel(
    camera: Camera, points_mm: ArrayLike, height_above_ground_mm: ArrayLike = 0.0
) -> Floats:
    """Pixels (..., 2) of ground points (..., 2) in mm at one height, or one height per point.

    Raises ValueError when a point does not lie in front of the lens.
    """
    points = np.asarray(points_mm, dtype=np.float64)
    depth = camera.height_mm - np.asarray(height_above_ground_mm, dtype=np.float64)
    depth = np.broadcast_to(depth, points.shape[:-1])
    if camera.is_plain:
        if not np.all(depth > 0):
            raise ValueError("a point lies at or above the lens")
        on_plane = points * (camera.focal_px / depth)[..., None]
        return np.asarray(on_plane + np.array(camera.principal_point_px))
    in_camera = np.concatenate([points, depth[..., None]], axis=-1) @ rotation(camera).T
    if not np.all(in_camera[..., 2] > 0):
        raise ValueError("a point lies behind the lens")
    plane = in_camera[..., :2] / in_camera[..., 2:]
    bent = _bend(camera, plane)
    return np.asarray(bent * camera.focal_px + np.array(camera.principal_point_px))


def pixel_to_ground(
    camera: Camera, pixels_px: ArrayLike, height_above_ground_mm: float = 0.0
) -> Floats:
    """Points (..., 2) in mm on the level plane at a height, seen at pixels (..., 2).

    Raises ValueError when a pixel looks at or above the horizon, or its ray cannot be found.
    """
    pixels = np.asarray(pixels_px, dtype=np.float64)
    depth = camera.height_mm - height_above_ground_mm
    if depth <= 0:
        raise ValueError("the plane lies at or above the lens")
    plane = (pixels - np.array(camera.principal_point_px)) / camera.focal_px
    if camera.is_plain:
        return np.asarray(plane * depth)
    plane = _unbend(camera, plane)
    rays = np.concatenate([plane, np.ones_like(plane[..., :1])], axis=-1) @ rotation(camera)
    if not np.all(rays[..., 2] > 1e-9):
        raise ValueError("a pixel looks at or above the horizon: tilt the camera less")
    return np.asarray(rays[..., :2] * (depth / rays[..., 2:]))


def _bend(camera: Camera, plane: Floats) -> Floats:
    """Apply the lens to undistorted points (..., 2) of the plane at distance 1."""
    if camera.lens == "fisheye":
        radius = np.hypot(plane[..., 0], plane[..., 1])
        turned = _fisheye_radius(camera, np.arctan(radius))
        scale = np.where(radius > 1e-12, turned / np.maximum(radius, 1e-12), 1.0)
        return np.asarray(plane * scale[..., None])
    x, y = plane[..., 0], plane[..., 1]
    r2 = x * x + y * y
    radial = 1 + r2 * (camera.k1 + r2 * (camera.k2 + r2 * camera.k3))
    bent_x = x * radial + 2 * camera.p1 * x * y + camera.p2 * (r2 + 2 * x * x)
    bent_y = y * radial + camera.p1 * (r2 + 2 * y * y) + 2 * camera.p2 * x * y
    return np.stack([bent_x, bent_y], axis=-1)


def _fisheye_radius(camera: Camera, angle: Floats) -> Floats:
    """Distance from the principal point, in focal lengths, of a ray at an angle to the axis."""
    a2 = angle * angle
    series = camera.k1 + a2 * (camera.k2 + a2 * (camera.k3 + a2 * camera.k4))
    return np.asarray(angle * (1 + a2 * series))


def _unbend(camera: Camera, bent: Floats) -> Floats:
    """Invert ``_bend`` by Newton's method with a numerical slope.

    Raises ValueError where it does not settle: beyond the radius at which the lens folds over.
    """
    if camera.lens == "fisheye":
        return _unbend_fisheye(camera, bent)
    guess, step = bent.copy(), 1e-6
    for _ in range(_STEPS):
        miss = _bend(camera, guess) - bent
        if np.max(np.abs(miss), initial=0.0) < _SETTLED:
            break
        along_x = _bend(camera, guess + np.array([step, 0.0]))
        along_y = _bend(camera, guess + np.array([0.0, step]))
        back_x = _bend(camera, guess - np.array([step, 0.0]))
        back_y = _bend(camera, guess - np.array([0.0, step]))
        slope_x, slope_y = (along_x - back_x) / (2 * step), (along_y - back_y) / (2 * step)
        area = slope_x[..., 0] * slope_y[..., 1] - slope_x[..., 1] * slope_y[..., 0]
        area = np.where(np.abs(area) < 1e-9, 1e-9, area)
        move_x = (miss[..., 0] * slope_y[..., 1] - miss[..., 1] * slope_y[..., 0]) / area
        move_y = (miss[..., 1] * slope_x[..., 0] - miss[..., 0] * slope_x[..., 1]) / area
        guess = guess - np.stack([move_x, move_y], axis=-1)
    else:
        raise ValueError("the distortion cannot be inverted over the whole picture")
    # beyond the fold of a strong barrel lens there are false answers on the far side
    if np.any((guess * bent).sum(axis=-1) < 0) or np.any(_spread(camera, guess) <= 0):
        raise ValueError("the distortion cannot be inverted over the whole picture")
    return guess


def _spread(camera: Camera, plane: Floats) -> Floats:
    """Slope outwards of the radial part of the lens: at or below 0 beyond its fold."""
    r2 = (plane * plane).sum(axis=-1)
    return np.asarray(1 + r2 * (3 * camera.k1 + r2 * (5 * camera.k2 + r2 * 7 * camera.k3)))


def _unbend_fisheye(camera: Camera, bent: Floats) -> Floats:
    radius = np.hypot(bent[..., 0], bent[..., 1])
    angle = np.asarray(radius.copy())
    for _ in range(_STEPS):
        miss = _fisheye_radius(camera, angle) - radius
        if np.max(np.abs(miss), initial=0.0) < _SETTLED:
            break
        a2 = angle * angle
        tail = 5 * camera.k2 + a2 * (7 * camera.k3 + a2 * 9 * camera.k4)
        slope = 1 + a2 * (3 * camera.k1 + a2 * tail)
        angle = angle - miss / np.where(np.abs(slope) < 1e-9, 1e-9, slope)
    else:
        raise ValueError("the distortion cannot be inverted over the whole picture")
    if np.any(angle >= math.pi / 2):
        raise ValueError("a pixel looks sideways or backwards: the lens sees more than a plane")
    scale = np.where(radius > 1e-12, np.tan(angle) / np.maximum(radius, 1e-12), 1.0)
    return np.asarray(bent * scale[..., None])
