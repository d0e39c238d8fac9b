"""Resampling a photo once, so that every cell becomes a straight-down square of pixels.

Pillow alone does it, on desk and board alike: a mesh of small quadrangles, each short
enough that straight interpolation inside it is as good as the true lens and pose.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from weedset.cells import CellsInView
from weedset.lens import Floats
from weedset.records import GroundGrid, View
from weedset.view import ground_to_pixels

#: How far, in photo pixels, a mesh may lie from the true position in its worst place.
_TOLERANCE_PX = 0.2
_MOST_PIECES = 8

#: Reducing more than sixteenfold before resampling would say that the tile is no tile.
_MOST_LEVELS = 4

_Quad = tuple[tuple[int, int, int, int], tuple[float, ...]]


@dataclass(frozen=True, eq=False)
class Mesh:
    """Where the corners of small pieces of ground lie in a picture and in a photo.

    The corners of picture column `along_px[i]` and row `down_px[j]` lie at
    `photo_px[j, i]`; both count from the outer edge. `level` says of each cell, (rows,
    cols), how many times the photo should be halved before it is resampled; -1 where the
    cell is not kept.
    """

    along_px: NDArray[np.intp]
    down_px: NDArray[np.intp]
    photo_px: Floats
    level: NDArray[np.intp]


def rectified(
    image: Image.Image, cells: CellsInView, tile_px: int, nearest: bool = False
) -> Image.Image:
    """Return the kept cells of `image` in their places, cols * tile_px by rows * tile_px.

    `image` is the whole upright photo or a reduced decoding of it, or with `nearest` a
    mask. What the photo does not show is 0; what lies where no cell is kept means nothing.
    Where a tile has fewer pixels than the photo has there, the photo is first averaged
    down by the power of two that is nearest, so that fine soil does not turn into noise.
    """
    size = (cells.grid.cols * tile_px, cells.grid.rows * tile_px)
    how = Image.Resampling.NEAREST if nearest else Image.Resampling.BILINEAR
    picture: Image.Image | None = None
    for level, quads in _quads(mesh_of(cells, tile_px, image.size), nearest):
        source = image.reduce(2**level) if level else image
        part = source.transform(size, Image.Transform.MESH, quads, how)
        if picture is None:
            picture = part
            continue
        chosen = Image.new("L", size)
        for box, _ in quads:
            chosen.paste(255, box)
        picture.paste(part, mask=chosen)
    if picture is None:
        raise ValueError("no cell is kept, so there is nothing to rectify")
    return picture


@lru_cache(maxsize=4)
def mesh_of(cells: CellsInView, tile_px: int, image_size: tuple[int, int]) -> Mesh:
    """Return the mesh of a photo whose upright picture, perhaps reduced, has this size.

    A run over many photos of one camera asks again and again for the same.
    """
    view, grid = cells.view, cells.grid
    pieces = _pieces(view, grid)
    edges = np.rint(np.arange(pieces) * (tile_px / pieces)).astype(np.intp)
    along, down = (
        np.append((np.arange(count)[:, None] * tile_px + edges).ravel(), count * tile_px)
        for count in (grid.cols, grid.rows)
    )
    mm_per_px = grid.cell_mm / tile_px
    x_mm, y_mm = grid.x_min_mm + along * mm_per_px, grid.y_min_mm + down * mm_per_px
    photo_px = ground_to_pixels(view, np.stack(np.meshgrid(x_mm, y_mm), axis=-1)) + 0.5
    photo_px *= np.array(image_size) / (view.width_px, view.height_px)
    corners = photo_px[::pieces, ::pieces]
    level = np.where(cells.kept, _levels(corners, tile_px), -1)
    return Mesh(along, down, photo_px, level)


@lru_cache(maxsize=4)
def _quads(mesh: Mesh, full_size: bool) -> list[tuple[int, list[_Quad]]]:
    """Return for each level of reduction the boxes to fill, and the quadrangles to fill them by.

    Pillow wants a quadrangle as its corners upper left, lower left, lower right, upper right.
    """
    pieces = (len(mesh.along_px) - 1) // mesh.level.shape[1]
    depth = mesh.level.repeat(pieces, axis=0).repeat(pieces, axis=1)
    if full_size:
        depth = np.minimum(depth, 0)
    p = mesh.photo_px
    quads = np.stack([p[:-1, :-1], p[1:, :-1], p[1:, 1:], p[:-1, 1:]], axis=-2)
    depth = np.where(np.isfinite(quads).all(axis=(-2, -1)), depth, -1)
    along, down = mesh.along_px, mesh.down_px
    left, top = np.meshgrid(along[:-1], down[:-1])
    right, bottom = np.meshgrid(along[1:], down[1:])
    boxes = np.stack([left, top, right, bottom], axis=-1)
    meshes = []
    for level in sorted(set(depth[depth >= 0].tolist())):
        here = depth == level
        corners = (quads[here] / 2**level).reshape(-1, 8).tolist()
        pairs = zip(boxes[here].tolist(), corners, strict=True)
        meshes.append((level, [(tuple(box), tuple(quad)) for box, quad in pairs]))
    return meshes


def _pieces(view: View, grid: GroundGrid) -> int:
    """Return into how many pieces each side of a cell must be cut for a mesh to be true."""
    pieces = 1
    while pieces < _MOST_PIECES and _bulge_px(view, grid, pieces) > _TOLERANCE_PX:
        pieces *= 2
    return pieces


def _bulge_px(view: View, grid: GroundGrid, pieces: int) -> float:
    """Return how far the true middles of all pieces lie from where interpolation puts them."""
    step = grid.cell_mm / pieces / 2
    x = grid.x_min_mm + np.arange(grid.cols * pieces * 2 + 1) * step
    y = grid.y_min_mm + np.arange(grid.rows * pieces * 2 + 1) * step
    pixels = ground_to_pixels(view, np.stack(np.meshgrid(x, y), axis=-1))
    inside = np.all(np.isfinite(pixels), axis=-1) & np.all(
        (pixels > -1) & (pixels < [view.width_px, view.height_px]), axis=-1
    )
    worst = 0.0
    for middle, ends in (
        (np.s_[:, 1::2], (np.s_[:, :-2:2], np.s_[:, 2::2])),
        (np.s_[1::2, :], (np.s_[:-2:2, :], np.s_[2::2, :])),
    ):
        first, last = ends
        straight = (pixels[first] + pixels[last]) / 2
        miss = np.hypot(*np.moveaxis(pixels[middle] - straight, -1, 0))
        seen = inside[middle] & inside[first] & inside[last]
        worst = max(worst, float(np.max(miss, where=seen, initial=0.0)))
    return worst


def _levels(corners_px: Floats, tile_px: int) -> NDArray[np.intp]:
    """Return for each cell how many times the photo should be halved before resampling."""
    one = corners_px[1:, 1:] - corners_px[:-1, :-1]
    other = corners_px[1:, :-1] - corners_px[:-1, 1:]
    area = np.abs(one[..., 0] * other[..., 1] - one[..., 1] * other[..., 0]) / 2
    with np.errstate(divide="ignore", invalid="ignore"):
        halvings = np.log2(np.sqrt(area) / tile_px)
    halvings = np.nan_to_num(halvings, nan=0.0, posinf=0.0, neginf=0.0)
    return np.clip(np.rint(halvings), 0, _MOST_LEVELS).astype(np.intp)
