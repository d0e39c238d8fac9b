"""Resampling a photo once, so that every cell becomes a straight-down square of pixels.

Pillow alone does it, on desk and board alike: a mesh of small quadrangles, each short
enough that straight interpolation inside it is as good as the true lens and pose.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from weedset.cells import CellsInView
from weedset.lens import Floats
from weedset.records import GroundGrid, View
from weedset.view import ground_to_pixels

#: How far, in photo pixels, a mesh may lie from the true position in its worst place.
_TOLERANCE_PX = 0.05
_MOST_PIECES = 8

#: Reducing more than sixteenfold before resampling would say that the tile is no tile.
_MOST_LEVELS = 4

_Box = tuple[int, int, int, int]
_Mesh = list[tuple[_Box, tuple[float, ...]]]


def rectified(
    image: Image.Image,
    cells: CellsInView,
    tile_px: int,
    outside: int | tuple[int, int, int],
    nearest: bool = False,
) -> Image.Image:
    """Return the kept cells of `image` side by side, cols * tile_px by rows * tile_px.

    `image` is the whole upright photo or a reduced decoding of it, or with `nearest` a
    mask. `outside` fills what the photo does not show. Where a tile has fewer pixels than
    the photo has there, the photo is first averaged down by the power of two that is
    nearest, so that fine soil does not turn into noise.
    """
    size = (cells.grid.cols * tile_px, cells.grid.rows * tile_px)
    kept = cells.kept.tobytes()
    meshes = _meshes(cells.view, cells.grid, kept, tile_px, image.size, 0 if nearest else None)
    how = Image.Resampling.NEAREST if nearest else Image.Resampling.BILINEAR
    picture: Image.Image | None = None
    for level, mesh in meshes:
        source = image.reduce(2**level) if level else image
        part = source.transform(size, Image.Transform.MESH, mesh, how, fillcolor=outside)
        if picture is None:
            picture = part
            continue
        chosen = Image.new("L", size)
        for box, _ in mesh:
            chosen.paste(255, box)
        picture.paste(part, mask=chosen)
    if picture is None:
        raise ValueError("no cell is kept, so there is nothing to rectify")
    return picture


@lru_cache(maxsize=8)
def _meshes(
    view: View,
    grid: GroundGrid,
    kept: bytes,
    tile_px: int,
    image_size: tuple[int, int],
    level: int | None,
) -> tuple[tuple[int, _Mesh], ...]:
    """Return a mesh for each level of reduction that some kept cell needs.

    A run over many photos of one camera asks again and again for the same.
    """
    rows, cols = np.nonzero(np.frombuffer(kept, dtype=bool).reshape(grid.rows, grid.cols))
    pieces = _pieces(view, grid)
    edges = np.rint(np.arange(pieces + 1) * (tile_px / pieces)).astype(int)
    along = (np.arange(grid.cols)[:, None] * tile_px + edges[None, :-1]).ravel()
    down = (np.arange(grid.rows)[:, None] * tile_px + edges[None, :-1]).ravel()
    along = np.append(along, grid.cols * tile_px)
    down = np.append(down, grid.rows * tile_px)
    mm_per_px = grid.cell_mm / tile_px
    ground = np.stack(
        np.meshgrid(grid.x_min_mm + along * mm_per_px, grid.y_min_mm + down * mm_per_px), axis=-1
    )
    # In edge coordinates of the image: Pillow counts from the outer edge.
    pixels = (ground_to_pixels(view, ground) + 0.5) * (
        np.array(image_size) / np.array([view.width_px, view.height_px])
    )
    levels = (
        np.full(len(rows), level)
        if level is not None
        else _levels(pixels, rows, cols, pieces, tile_px)
    )
    meshes: dict[int, _Mesh] = {}
    for row, col, depth in zip(rows.tolist(), cols.tolist(), levels.tolist(), strict=True):
        mesh = meshes.setdefault(depth, [])
        for j in range(row * pieces, (row + 1) * pieces):
            for i in range(col * pieces, (col + 1) * pieces):
                quad = pixels[[j, j + 1, j + 1, j], [i, i, i + 1, i + 1]] / 2**depth
                if np.isfinite(quad).all():
                    box = (int(along[i]), int(down[j]), int(along[i + 1]), int(down[j + 1]))
                    mesh.append((box, tuple(quad.ravel().tolist())))
    return tuple(sorted(meshes.items()))


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


def _levels(
    pixels: Floats,
    rows: NDArray[np.intp],
    cols: NDArray[np.intp],
    pieces: int,
    tile_px: int,
) -> NDArray[np.intp]:
    """Return for each kept cell how many times the photo should be halved before resampling."""
    top, left = rows * pieces, cols * pieces
    down, right = top + pieces, left + pieces
    one = pixels[down, right] - pixels[top, left]
    other = pixels[down, left] - pixels[top, right]
    area = np.abs(one[:, 0] * other[:, 1] - one[:, 1] * other[:, 0]) / 2
    with np.errstate(divide="ignore", invalid="ignore"):
        halvings = np.log2(np.sqrt(area) / tile_px)
    halvings = np.nan_to_num(halvings, nan=0.0, posinf=0.0, neginf=0.0)
    return np.clip(np.rint(halvings), 0, _MOST_LEVELS).astype(np.intp)
