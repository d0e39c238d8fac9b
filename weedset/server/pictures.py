"""Pictures for the page: a tile as it is kept, and a tile with the ground around it."""

from __future__ import annotations

import io
from collections import OrderedDict
from pathlib import Path
from threading import Lock

import numpy as np
from PIL import Image

from weedset.errors import PhotoError, StoreError
from weedset.images import OpenedPhoto, decode_tile, open_photo
from weedset.records import Photo
from weedset.server.index import TileIndex
from weedset.settings import Workspace, tile_archive
from weedset.tilearchive import read_tile_at
from weedset.view import ground_to_pixels, is_plain

#: Shown where there is no photo: dark, quiet, no plant's colour.
_BEYOND = (58, 56, 54)

#: A cell is shown with at most this many pixels a side, and decoded photos that together
#: hold at most this many pixels are kept.
_MOST_CELL_PX = 360
_MOST_KEPT_PX = 26_000_000


class Pictures:
    """Reads tiles and photos of one workspace. Which file is read follows from the store."""

    def __init__(self, workspace: Workspace, index: TileIndex) -> None:
        self._workspace = workspace
        self._index = index
        self._kept: OrderedDict[str, Image.Image | None] = OrderedDict()
        self._lock = Lock()

    def tile(self, place: int) -> bytes:
        """Return the JPEG of a tile. Raises StoreError where it is gone."""
        index = self._index
        archive = tile_archive(self._workspace, index.photo_of(place).digest)
        return read_tile_at(archive, int(index.offset[place]), int(index.length[place]))

    def around(self, place: int, radius: int) -> bytes:
        """Return a JPEG of the cell at `place` and `radius` cells each way.

        From the photo, as sharp as it is; from neighbouring tiles where that is gone, or
        was tilted or bent, so that only its tiles show flat ground.
        """
        photo = self._index.photo_of(place)
        image = self._photo(photo) if is_plain(photo.view) else None
        cut = self._from_photo(image, photo, place, radius) if image else None
        buffer = io.BytesIO()
        (cut or self._from_tiles(photo, place, radius)).save(buffer, "JPEG", quality=86)
        return buffer.getvalue()

    def _photo(self, photo: Photo) -> Image.Image | None:
        with self._lock:
            if photo.digest not in self._kept:
                opened = _opened(photo)
                self._kept[photo.digest] = opened.image if opened else None
                while len(self._kept) > 1 and _pixels(self._kept) > _MOST_KEPT_PX:
                    self._kept.popitem(last=False)
            self._kept.move_to_end(photo.digest)
            return self._kept[photo.digest]

    def _from_photo(self, image: Image.Image, photo: Photo, place: int, radius: int) -> Image.Image:
        grid, index = photo.grid, self._index
        x_mm = grid.x_min_mm + float(index.col[place] - radius) * grid.cell_mm
        y_mm = grid.y_min_mm + float(index.row[place] - radius) * grid.cell_mm
        side_mm = (2 * radius + 1) * grid.cell_mm
        corners_mm = np.array([[x_mm, y_mm], [x_mm + side_mm, y_mm + side_mm]])
        # Pixel centres lie at whole numbers, edges half a pixel before.
        corners_px = (ground_to_pixels(photo.view, corners_mm) + 0.5) * image.width / photo.width_px
        left, top, right, bottom = (round(edge) for edge in corners_px.ravel().tolist())
        inside = (max(0, left), max(0, top), min(image.width, right), min(image.height, bottom))
        around = Image.new("RGB", (right - left, bottom - top), _BEYOND)
        around.paste(image.crop(inside), (inside[0] - left, inside[1] - top))
        side = min(right - left, (2 * radius + 1) * _MOST_CELL_PX)
        return around.resize((side, side), Image.Resampling.BILINEAR)

    def _from_tiles(self, photo: Photo, place: int, radius: int) -> Image.Image:
        side = photo.tile_px
        around = Image.new("RGB", ((2 * radius + 1) * side,) * 2, _BEYOND)
        for (rows, cols), other in self._index.around(place, radius).items():
            try:
                tile = Image.fromarray(decode_tile(self.tile(other)))
            except (StoreError, PhotoError):
                continue  # a hole in the surroundings is no reason to stop
            around.paste(tile, ((radius + cols) * side, (radius + rows) * side))
        return around


def _opened(photo: Photo) -> OpenedPhoto | None:
    """Open a photo no larger than is shown; None where it is gone or another one by now."""

    share = _MOST_CELL_PX * photo.scale.gsd_mm_per_px / photo.grid.cell_mm
    try:
        opened = open_photo(Path(photo.path), least_share=min(1.0, share))
    except PhotoError:
        return None
    return opened if opened.digest == photo.digest else None


def _pixels(kept: OrderedDict[str, Image.Image | None]) -> int:
    return sum(image.width * image.height for image in kept.values() if image)
