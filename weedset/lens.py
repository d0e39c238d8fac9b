"""What a lens does to rays: pinhole, Brown-Conrady distortion, equidistant fisheye.

Rays are directions (..., 3) in camera axes (x right, y down, z forward); points (..., 2)
lie on the picture in focal lengths from the optical axis. NaN stands for "not seen".
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from weedset.records import Distortion

Floats = NDArray[np.float64]

_STEPS = 30  # Newton doubles the digits each step: mild lenses settle in five
_SETTLED = 1e-12

#: A coefficient that bends nothing anywhere, but would upset the search for roots.
_NOTHING = 1e-12

#: A fisheye's rays beyond this angle from its axis are of no use for the ground.
_WIDEST_DEG = 95.0


def bend(distortion: Distortion | None, rays: Floats) -> Floats:
    """Return the points (..., 2) where rays (..., 3) meet the picture.

    NaN for a ray that comes from behind, or from beyond the radius at which the formula
    folds back on itself. Formulas: Brown 1966 and the equidistant fisheye, as OpenCV's
    `projectPoints` and `fisheye.projectPoints` compute them.
    """
    x, y, z = rays[..., 0], rays[..., 1], rays[..., 2]
    if distortion is not None and distortion.model == "fisheye":
        across = np.hypot(x, y)
        angle = np.arctan2(across, z)
        angle = np.where(angle <= radius_limit(distortion), angle, np.nan)
        scale = _fisheye_radius(distortion, angle) / np.maximum(across, 1e-300)
        scale = np.where(across > 0, scale, 0.0)
        return np.stack([x * scale, y * scale], axis=-1)
    depth = np.where(z > 1e-9, z, np.nan)
    plane = np.stack([x / depth, y / depth], axis=-1)
    if distortion is None:
        return plane
    limit = radius_limit(distortion)
    if math.isfinite(limit):
        beyond = np.hypot(plane[..., 0], plane[..., 1]) > limit
        plane = np.where(beyond[..., None], np.nan, plane)
    return _bend_plane(distortion, plane)[0]


def unbend(distortion: Distortion | None, points: Floats) -> Floats:
    """Return the rays (..., 3), of any length, that meet the picture at points (..., 2).

    NaN where no ray does.
    """
    if distortion is None:
        return np.concatenate([points, np.ones_like(points[..., :1])], axis=-1)
    with np.errstate(invalid="ignore", over="ignore", divide="ignore"):
        if distortion.model == "fisheye":
            return _unbend_fisheye(distortion, points)
        plane = points.copy()
        for _ in range(_STEPS):
            bent, xx, xy, yy = _bend_plane(distortion, plane)
            miss = bent - points
            if not np.any(np.abs(miss) > _SETTLED):
                break
            area = xx * yy - xy * xy
            move_x = (miss[..., 0] * yy - miss[..., 1] * xy) / area
            move_y = (miss[..., 1] * xx - miss[..., 0] * xy) / area
            plane = plane - np.stack([move_x, move_y], axis=-1)
        miss = np.abs(_bend_plane(distortion, plane)[0] - points).max(axis=-1)
        radius = np.hypot(plane[..., 0], plane[..., 1])
        seen = (miss < 1e-9) & (radius <= radius_limit(distortion))
    plane = np.where(seen[..., None], plane, np.nan)
    return np.concatenate([plane, np.ones_like(plane[..., :1])], axis=-1)


@lru_cache(maxsize=32)
def radius_limit(distortion: Distortion) -> float:
    """Return how far out the formula holds: a radius at distance 1, for a fisheye an angle.

    It is the first place where the radial part stops growing; where it never does, infinite,
    or as far out as a fisheye is of use.
    """
    if distortion.model == "fisheye":
        k1, k2, k3, k4 = distortion.coefficients
        slope, widest = [9 * k4, 7 * k3, 5 * k2, 3 * k1, 1.0], math.radians(_WIDEST_DEG)
    else:
        k1, k2, _, _, k3 = distortion.coefficients
        slope, widest = [7 * k3, 5 * k2, 3 * k1, 1.0], math.inf
    squares = np.roots([0.0 if abs(k) < _NOTHING else k for k in slope])
    folds = [math.sqrt(root.real) for root in squares if abs(root.imag) < 1e-9 and root.real > 0]
    return min([widest, *folds])


def _bend_plane(distortion: Distortion, plane: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Return bent points and the slopes dx/dx, dx/dy (the same as dy/dx), dy/dy."""
    k1, k2, p1, p2, k3 = distortion.coefficients
    x, y = plane[..., 0], plane[..., 1]
    r2 = x * x + y * y
    radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
    growth = 2 * (k1 + r2 * (2 * k2 + r2 * 3 * k3))
    bent_x = x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x)
    bent_y = y * radial + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y
    slope_xx = radial + x * x * growth + 2 * p1 * y + 6 * p2 * x
    slope_xy = x * y * growth + 2 * p1 * x + 2 * p2 * y
    slope_yy = radial + y * y * growth + 6 * p1 * y + 2 * p2 * x
    return np.stack([bent_x, bent_y], axis=-1), slope_xx, slope_xy, slope_yy


def _fisheye_radius(distortion: Distortion, angle: Floats) -> Floats:
    k1, k2, k3, k4 = distortion.coefficients
    a2 = angle * angle
    return np.asarray(angle * (1 + a2 * (k1 + a2 * (k2 + a2 * (k3 + a2 * k4)))))


def _unbend_fisheye(distortion: Distortion, points: Floats) -> Floats:
    k1, k2, k3, k4 = distortion.coefficients
    radius = np.hypot(points[..., 0], points[..., 1])
    angle = radius.copy()
    for _ in range(_STEPS):
        miss = _fisheye_radius(distortion, angle) - radius
        if not np.any(np.abs(miss) > _SETTLED):
            break
        a2 = angle * angle
        slope = 1 + a2 * (3 * k1 + a2 * (5 * k2 + a2 * (7 * k3 + a2 * 9 * k4)))
        angle = angle - miss / slope
    settled = np.abs(_fisheye_radius(distortion, angle) - radius) < 1e-9
    seen = settled & (angle >= 0) & (angle <= radius_limit(distortion))
    angle = np.where(seen, angle, np.nan)
    across = np.where(radius > 0, np.sin(angle) / np.maximum(radius, 1e-300), 0.0)
    return np.stack([points[..., 0] * across, points[..., 1] * across, np.cos(angle)], axis=-1)
