"""From an upright photo to the pixels of its cells: the same code for training and board."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from weedset.cells import CellsInView
from weedset.geometry import grid_footprint, ground_box_px
from weedset.records import GroundGrid, View
from weedset.rectify import rectified
from weedset.view import ground_to_pixels, is_plain

#: What lies outside the photo in a padded cell: middle grey.
_PAD = (127, 127, 127)


#: How the cells of a tilted or bent photo become a picture: image, cells, tile_px.
Rectify = Callable[[Image.Image, CellsInView, int], NDArray[np.uint8]]


def _by_mesh(image: Image.Image, cells: CellsInView, tile_px: int) -> NDArray[np.uint8]:
    return np.asarray(rectified(image, cells, tile_px))


def ground_picture(
    image: Image.Image, cells: CellsInView, tile_px: int, rectify: Rectify = _by_mesh
) -> NDArray[np.uint8]:
    """Resample a photo once, so that each cell becomes tile_px x tile_px pixels of flat ground.

    `image` is the whole upright photo, which may be a reduced decoding. Returns
    (rows * tile_px, cols * tile_px, 3); what is no kept cell means nothing. Straight-down
    photos take one plain resizing, others one mesh; see `weedset.rectify`, and
    `weedset.remap` for another way through the same mesh.
    """
    if is_plain(cells.view):
        return _resized(image, cells.view, cells.grid, tile_px)
    picture = rectify(image, cells, tile_px)
    if (cells.inside_share[cells.kept] >= 1).all():
        return picture
    # Some cells are padded: grey what the photo does not show of them.
    everywhere = Image.new("L", image.size, 255)
    shown = rectified(everywhere, cells, tile_px, nearest=True)
    return np.where(np.asarray(shown)[..., None] > 0, picture, np.uint8(_PAD[0]))


def _resized(image: Image.Image, view: View, grid: GroundGrid, tile_px: int) -> NDArray[np.uint8]:
    """Resample a straight-down photo; shrinking averages over the area it drops."""
    # A reduced decoding rounds odd sides up; the ratio of widths keeps the middle in place.
    smaller = image.width / view.width_px
    gsd_mm_per_px = view.gsd_mm_per_px / smaller
    size = (grid.cols * tile_px, grid.rows * tile_px)
    origin = ground_to_pixels(view, np.zeros(2)) + 0.5 - (view.width_px / 2, view.height_px / 2)
    centre = origin * smaller + (image.width / 2, image.height / 2)
    centre_px = (float(centre[0]), float(centre[1]))
    box = ground_box_px(grid_footprint(grid), image.width, image.height, gsd_mm_per_px, centre_px)
    inside = (
        max(0.0, box[0]),
        max(0.0, box[1]),
        min(image.width, box[2]),
        min(image.height, box[3]),
    )
    if inside == box:
        return np.asarray(image.resize(size, Image.Resampling.BILINEAR, box=box))
    # Some cells are padded: resample what there is, and paste it where it belongs.
    px = tile_px / (grid.cell_mm / gsd_mm_per_px)
    left, top, right, bottom = (
        round((edge - origin) * px) for edge, origin in zip(inside, (box[:2]) * 2, strict=True)
    )
    picture = Image.new("RGB", size, _PAD)
    part = image.resize((right - left, bottom - top), Image.Resampling.BILINEAR, box=inside)
    picture.paste(part, (left, top))
    return np.asarray(picture)


def cut_tiles(picture: NDArray[np.uint8], tile_px: int) -> NDArray[np.uint8]:
    """View a ground picture as (rows, cols, tile_px, tile_px, 3); copies nothing."""
    rows, cols = picture.shape[0] // tile_px, picture.shape[1] // tile_px
    return picture.reshape(rows, tile_px, cols, tile_px, 3).swapaxes(1, 2)


def resize_tile(tile: NDArray[np.uint8], input_px: int) -> NDArray[np.uint8]:
    """Resample one tile (side, side, 3) to the side that a model takes."""
    if tile.shape[0] == input_px:
        return tile
    image = Image.fromarray(tile).resize((input_px, input_px), Image.Resampling.BILINEAR)
    return np.asarray(image)


@dataclass(frozen=True, slots=True)
class Normalisation:
    """How pixel values become a model's input: (value - mean) / std, all three channels."""

    mean: float
    std: float


def model_input(tiles: NDArray[np.uint8], normalisation: Normalisation) -> NDArray[np.float32]:
    """Return tiles (n, side, side, 3) as a model's input (n, 3, side, side)."""
    scaled = tiles.transpose(0, 3, 1, 2).astype(np.float32, order="C")
    scaled -= np.float32(normalisation.mean)
    scaled *= np.float32(1 / normalisation.std)
    return scaled
