"""Many small flat things heaped on the ground: crumbs, stones, wood chips, blades of grass.

All outlines are painted into one picture of numbers, later ones over earlier ones; what a pixel
shows is then looked up for all pixels at once. That is quick enough for thousands of pieces.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from sample_data.noise import Plane, Raster

Floats = NDArray[np.float64]


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


def scatter(rng: np.random.Generator, raster: Raster, per_dm2: float, margin_mm: float) -> Floats:
    """Random points (n, 2) in mm over a raster and a margin, at a mean density per 100 x 100 mm."""
    x, y = raster.x_mm(), raster.y_mm()
    low = np.array([x[0], y[0]], dtype=np.float64) - margin_mm
    high = np.array([x[-1], y[-1]], dtype=np.float64) + margin_mm
    area_dm2 = float(np.prod(high - low)) / 1e4
    return np.asarray(rng.uniform(low, high, (int(area_dm2 * per_dm2), 2)))


def ragged_ovals(rng: np.random.Generator, count: int, corners: int, ragged: float) -> Floats:
    """Unit ovals (count, corners, 2) with radii that vary by about ``ragged``."""
    step = 2 * np.pi / corners
    angle = np.arange(corners) * step + rng.uniform(-0.3, 0.3, (count, corners)) * step
    radius = 1 + rng.normal(0, ragged, (count, corners))
    return np.stack([np.cos(angle) * radius, np.sin(angle) * radius], axis=-1)


def look(heap: Heap, raster: Raster) -> Looked:
    """Paint the pieces and look up, for each pixel (h, w), which it shows and where on it."""
    corners = heap.outlines * heap.half_length_mm[:, None, None]
    corners[..., 1] = heap.outlines[..., 1] * heap.half_width_mm[:, None]
    corners[..., 1] += (heap.bend * heap.half_length_mm)[:, None] * heap.outlines[..., 0] ** 2
    cos, sin = np.cos(heap.turn)[:, None], np.sin(heap.turn)[:, None]
    x_mm = corners[..., 0] * cos - corners[..., 1] * sin + heap.centre_mm[:, 0, None]
    y_mm = corners[..., 0] * sin + corners[..., 1] * cos + heap.centre_mm[:, 1, None]
    gsd = raster.gsd_mm_per_px
    x_px = np.rint(x_mm / gsd + raster.x0_px).astype(int)
    y_px = np.rint(y_mm / gsd + raster.y0_px).astype(int)
    picture = Image.new("I", (raster.width_px, raster.height_px), -1)
    draw = ImageDraw.Draw(picture)
    flat = np.stack([x_px, y_px], axis=-1).reshape(len(heap), -1).tolist()
    for number, outline in enumerate(flat):
        draw.polygon(outline, fill=number)
    number = np.array(picture, dtype=np.int32)
    return Looked(number, *_where(heap, raster, number))


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
