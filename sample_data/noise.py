"""Smooth random fields measured in mm of ground, so that a texture keeps its size at any scale."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image

Plane = NDArray[np.float32]

_LATTICE = 256


@dataclass(frozen=True)
class Raster:
    """A grid over the ground: its size and where its pixels lie.

    Pixel (col, row) has its centre at ground ((col - x0_px) * gsd, (row - y0_px) * gsd) in mm.
    """

    width_px: int
    height_px: int
    x0_px: float
    y0_px: float
    gsd_mm_per_px: float

    def x_mm(self) -> Plane:
        """Ground x of each column, shape (width_px,)."""
        cols = np.arange(self.width_px, dtype=np.float32) - np.float32(self.x0_px)
        return cols * np.float32(self.gsd_mm_per_px)

    def y_mm(self) -> Plane:
        """Ground y of each row, shape (height_px,)."""
        rows = np.arange(self.height_px, dtype=np.float32) - np.float32(self.y0_px)
        return rows * np.float32(self.gsd_mm_per_px)

    def finer(self, times: int) -> Raster:
        """The same ground, each pixel cut into times x times."""
        shift = (times - 1) / 2
        return Raster(
            self.width_px * times,
            self.height_px * times,
            self.x0_px * times + shift,
            self.y0_px * times + shift,
            self.gsd_mm_per_px / times,
        )


def smooth_noise(raster: Raster, wavelength_mm: float, seed: int) -> Plane:
    """Noise (height_px, width_px) of mean 0 and spread about 1 with lumps of a given size.

    It is fixed to the ground: two rasters over the same ground see the same lumps. It repeats
    after 256 wavelengths, which is further than a photo reaches for all but the finest grain.
    """
    lattice = np.random.default_rng([seed, 7]).standard_normal((_LATTICE, _LATTICE))
    lattice = lattice.astype(np.float32)
    per_px = raster.gsd_mm_per_px / wavelength_mm
    left, top = (-0.5 - raster.x0_px) * per_px, (-0.5 - raster.y0_px) * per_px
    right, bottom = left + raster.width_px * per_px, top + raster.height_px * per_px
    col0, row0 = math.floor(left) - 3, math.floor(top) - 3
    cols = np.arange(col0, math.ceil(right) + 4) % _LATTICE
    rows = np.arange(row0, math.ceil(bottom) + 4) % _LATTICE
    crop = Image.fromarray(np.ascontiguousarray(lattice[np.ix_(rows, cols)]))
    box = (left - col0, top - row0, right - col0, bottom - row0)
    size = (raster.width_px, raster.height_px)
    return np.asarray(crop.resize(size, Image.Resampling.BICUBIC, box=box), dtype=np.float32)


def rough_noise(raster: Raster, wavelengths_mm: tuple[float, ...], seed: int) -> Plane:
    """A sum of ``smooth_noise``, each wavelength as strong as it is long, of spread about 1.

    Long waves are drawn coarsely and then enlarged: nobody sees the difference, and it is quick.
    """
    times = min(8, int(min(wavelengths_mm) / raster.gsd_mm_per_px / 3))
    if times > 1:
        coarse = rough_noise(_coarser(raster, times), wavelengths_mm, seed)
        size = (raster.width_px, raster.height_px)
        box = (0.0, 0.0, raster.width_px / times, raster.height_px / times)
        large = Image.fromarray(coarse).resize(size, Image.Resampling.BILINEAR, box=box)
        return np.asarray(large, dtype=np.float32)
    weights = np.array(wavelengths_mm, dtype=np.float64)
    weights /= math.sqrt(float((weights**2).sum()))
    total = np.zeros((raster.height_px, raster.width_px), dtype=np.float32)
    for number, (wavelength, weight) in enumerate(zip(wavelengths_mm, weights, strict=True)):
        total += np.float32(weight) * smooth_noise(raster, wavelength, seed + 101 * number)
    return total


def _coarser(raster: Raster, times: int) -> Raster:
    """The same ground in larger pixels, with a part of a pixel over at the far edges."""
    shift = (times - 1) / 2
    return Raster(
        -(-raster.width_px // times),
        -(-raster.height_px // times),
        (raster.x0_px - shift) / times,
        (raster.y0_px - shift) / times,
        raster.gsd_mm_per_px * times,
    )


def softened(plane: Plane, weight: float) -> Plane:
    """Blur a plane (h, w) with (w, 1 - 2w, w) along rows and columns."""
    out = plane.copy()
    if weight > 0:
        w = np.float32(weight)
        out[:, 1:-1] += w * (plane[:, 2:] + plane[:, :-2] - 2 * plane[:, 1:-1])
        rows = out.copy()
        out[1:-1] += w * (rows[2:] + rows[:-2] - 2 * rows[1:-1])
    return out
