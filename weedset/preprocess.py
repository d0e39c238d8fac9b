"""From an upright photo to the pixels of its cells: the same code for training and board."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from weedset.geometry import grid_footprint, ground_box_px
from weedset.records import GroundGrid

#: What lies outside the photo in a padded cell: middle grey.
_PAD = (127, 127, 127)


def ground_picture(
    image: Image.Image, gsd_mm_per_px: float, grid: GroundGrid, tile_px: int
) -> NDArray[np.uint8]:
    """Resample a photo once, so that each cell of `grid` becomes tile_px x tile_px pixels.

    `gsd_mm_per_px` is that of `image`, which may be a reduced decoding. Returns
    (rows * tile_px, cols * tile_px, 3). Shrinking averages over the area it drops.
    """
    size = (grid.cols * tile_px, grid.rows * tile_px)
    box = ground_box_px(grid_footprint(grid), image.width, image.height, gsd_mm_per_px)
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
