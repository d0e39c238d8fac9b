"""Many small flat things heaped on the ground: crumbs, stones, wood chips, blades of grass.

All outlines are painted into one picture of numbers, later ones over earlier ones; what a pixel
shows is then looked up for all pixels at once. That is quick enough for thousands of pieces.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from sample_data.noise import Plane, Raster

Floats = NDArray[np.float64]

_HALF_SQUARE_MM = 700.0


@dataclass(frozen=True)
class Heap:
    """Pieces in painting order, one row each. Lengths in mm, ``turn`` in radians.

    ``outlines`` (n, k, 2) are in the piece's own frame, scaled so that the half length and the
    half width are 1; ``bend`` shifts a point sideways by bend * (along)^2 half lengths.
    """

    centre_mm: Floats
    half_length_mm: Floats
    half_width_mm: Floats
    turn: Floats
    bend: Floats
    outlines: Floats

    def __len__(self) -> int:
        return len(self.turn)


@dataclass(frozen=True)
class Looked:
    """What each pixel shows: number of the piece (-1: none) and where on it, in -1 to 1."""

    number: NDArray[np.int32]
    along: Plane
    across: Plane


def scatter(rng: np.random.Generator, raster: Raster, per_dm2: float) -> Floats:
    """Random points (n, 2) in mm round the origin, at a mean density per 100 x 100 mm.

    They fill a square that is the same for all cameras that see less than it, so that every
    picture of a scene shows the same pieces.
    """
    x, y = raster.x_mm(), raster.y_mm()
    reach = 30.0 + max(abs(float(end)) for end in (x[0], x[-1], y[0], y[-1]))
    half = _HALF_SQUARE_MM * 2.0 ** max(0, math.ceil(math.log2(reach / _HALF_SQUARE_MM)))
    return np.asarray(rng.uniform(-half, half, (int((2 * half / 100) ** 2 * per_dm2), 2)))


def ragged_ovals(rng: np.random.Generator, count: int, corners: int, ragged: float) -> Floats:
    """Unit ovals (count, corners, 2) with radii that vary by about ``ragged``."""
    step = 2 * np.pi / corners
    angle = np.arange(corners) * step + rng.uniform(-0.3, 0.3, (count, corners)) * step
    radius = 1 + rng.normal(0, ragged, (count, corners))
    return np.stack([np.cos(angle) * radius, np.sin(angle) * radius], axis=-1)


def look(heap: Heap, raster: Raster) -> Looked:
    """Paint the pieces and look up, for each pixel (h, w), which it shows and where on it."""
    near = _near(heap, raster)
    outlines = _outlines_px(heap, raster, near)
    picture = Image.new("I", (raster.width_px, raster.height_px), -1)
    draw = ImageDraw.Draw(picture)
    for number, outline in zip(near.tolist(), outlines, strict=True):
        draw.polygon(outline, fill=number)
    shown = np.array(picture, dtype=np.int32)
    return Looked(shown, *_where(heap, raster, shown))


def _near(heap: Heap, raster: Raster) -> NDArray[np.intp]:
    """Numbers of the pieces that may show."""
    x, y = raster.x_mm(), raster.y_mm()
    margin = 1.5 * np.maximum(heap.half_length_mm, heap.half_width_mm)
    inside = (heap.centre_mm[:, 0] > x[0] - margin) & (heap.centre_mm[:, 0] < x[-1] + margin)
    inside &= (heap.centre_mm[:, 1] > y[0] - margin) & (heap.centre_mm[:, 1] < y[-1] + margin)
    return np.flatnonzero(inside)


def _outlines_px(heap: Heap, raster: Raster, near: NDArray[np.intp]) -> list[list[int]]:
    """Corners x, y, x, y ... of each near piece, in whole pixels."""
    half_length = heap.half_length_mm[near, None]
    along = heap.outlines[near, :, 0]
    across = heap.outlines[near, :, 1] * heap.half_width_mm[near, None]
    across += heap.bend[near, None] * half_length * along**2
    along = along * half_length
    cos, sin = np.cos(heap.turn[near, None]), np.sin(heap.turn[near, None])
    x_mm = along * cos - across * sin + heap.centre_mm[near, 0, None]
    y_mm = along * sin + across * cos + heap.centre_mm[near, 1, None]
    x_px = np.rint(x_mm / raster.gsd_mm_per_px + raster.x0_px).astype(int)
    y_px = np.rint(y_mm / raster.gsd_mm_per_px + raster.y0_px).astype(int)
    flat: list[list[int]] = np.stack([x_px, y_px], axis=-1).reshape(len(near), -1).tolist()
    return flat


def _where(heap: Heap, raster: Raster, number: NDArray[np.int32]) -> tuple[Plane, Plane]:
    """Local coordinates of each pixel; -1 looks at the last piece, which does no harm."""

    def each(values: Floats) -> Plane:
        return np.take(values.astype(np.float32), number, mode="wrap")

    dx = raster.x_mm()[None, :] - each(heap.centre_mm[:, 0])
    dy = raster.y_mm()[:, None] - each(heap.centre_mm[:, 1])
    cos, sin = each(np.cos(heap.turn)), each(np.sin(heap.turn))
    inverse = each(1 / heap.half_length_mm)
    along = (dx * cos + dy * sin) * inverse
    across = dy * cos - dx * sin
    across -= each(heap.bend * heap.half_length_mm) * along * along
    return along, across * each(1 / heap.half_width_mm)
