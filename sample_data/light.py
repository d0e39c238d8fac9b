"""Light over a drawn scene, and colours in linear light."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageFilter

from sample_data.noise import Plane

Rgb = tuple[int, int, int]


@dataclass(frozen=True)
class BroadShadow:
    """The shadow of a person or a machine: everything beyond a soft, slightly wavy line.

    The line passes at ``offset_mm`` from the origin, its normal at ``angle_deg`` (0 = x, 90 = y);
    the side that the normal points to is dark. ``round_mm`` above 0 makes it a disc of that radius
    instead (a head or a wheel), its middle at ``offset_mm`` along the normal.
    """

    angle_deg: float
    offset_mm: float
    edge_mm: float = 8.0
    round_mm: float = 0.0


@dataclass(frozen=True)
class Light:
    """Sun and sky. ``azimuth_deg`` is where the sun stands (0 = right, 90 = bottom edge).

    ``sun`` is the share of light that comes straight from the sun: 0.1 overcast, 0.7 clear.
    ``warmth`` tints the sun from -1 (blue) to 1 (evening).
    """

    azimuth_deg: float
    elevation_deg: float
    sun: float
    warmth: float = 0.0
    shadow: BroadShadow | None = None

    @property
    def towards(self) -> tuple[float, float]:
        """Unit vector on the ground that points to the sun."""
        angle = math.radians(self.azimuth_deg)
        return math.cos(angle), math.sin(angle)

    @property
    def reach(self) -> float:
        """Length of a shadow per height of what casts it."""
        return 1.0 / math.tan(math.radians(self.elevation_deg))


def linear(colour: Rgb) -> NDArray[np.float32]:
    """An sRGB colour (0 to 255) as linear light (3,), by the plain power 2.2."""
    return np.asarray((np.array(colour, dtype=np.float64) / 255) ** 2.2, dtype=np.float32)


def blurred(plane: Plane, radius_px: float) -> Plane:
    """Gaussian-like blur of a float plane (three box blurs, through an 8-bit picture)."""
    low, high = float(plane.min()), float(plane.max())
    if radius_px < 0.1 or high - low < 1e-6:
        return plane
    eight_bit = ((plane - low) * (255 / (high - low))).astype(np.uint8)
    soft = Image.fromarray(eight_bit).filter(ImageFilter.GaussianBlur(radius_px))
    return np.asarray(soft, dtype=np.float32) * np.float32((high - low) / 255) + np.float32(low)


def relief(height_mm: Plane, gsd_mm_per_px: float, light: Light, hollow_mm: float) -> Plane:
    """Brightness (h, w) of a height field: slopes, small cast shadows and dark hollows.

    ``hollow_mm`` is the size of hollow that the sky does not reach. Level ground is near 1.
    """
    to_x, to_y = light.towards
    along = np.zeros_like(height_mm)
    along[:, 1:-1] += (height_mm[:, 2:] - height_mm[:, :-2]) * np.float32(to_x / 2)
    along[1:-1, :] += (height_mm[2:, :] - height_mm[:-2, :]) * np.float32(to_y / 2)
    along /= np.float32(gsd_mm_per_px)
    lambert = 1 - np.float32(light.reach) * along
    np.clip(lambert, 0.12, 1.9, out=lambert)
    for step_px in (2, 4, 7):
        shift = (round(-to_y * step_px), round(-to_x * step_px))
        blocker = np.roll(height_mm, (shift[0], shift[1]), axis=(0, 1))
        rise = math.hypot(*shift) * gsd_mm_per_px / light.reach
        lambert *= 1 - 0.55 * np.clip((blocker - height_mm - np.float32(rise)) * 1.5, 0, 1)
    small = Image.fromarray(height_mm).reduce(4)
    radius = max(0.5, hollow_mm / gsd_mm_per_px / 4)
    mean = Image.fromarray(blurred(np.asarray(small, dtype=np.float32), radius))
    mean = mean.resize((height_mm.shape[1], height_mm.shape[0]), Image.Resampling.BILINEAR)
    depth = np.asarray(mean, dtype=np.float32) - height_mm
    sky = np.clip(1.0 - depth / np.float32(hollow_mm) * 0.9, 0.25, 1.25)
    sun = np.float32(light.sun)
    return np.asarray(sun * lambert * (0.4 + 0.6 * sky) + (1 - sun) * sky, dtype=np.float32)
