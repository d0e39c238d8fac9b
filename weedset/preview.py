"""What would leave the machine, in words and as contact sheets for the giver to look at.

No program reliably finds a person, a house number or a face in a window, so a person has
to look. The sheets are put together from the very tiles that would go.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from weedset.contribution.giving import Giving, giving_fields
from weedset.digests import write_whole
from weedset.images import encode_tile, reduced
from weedset.packing import photos_in_time
from weedset.records import Batch, Photo, Tile
from weedset.settings import Workspace, loose_picture_path, tile_archive
from weedset.store import Store
from weedset.tiling import TileReader

_PICTURE_PX = 480
_HIGH_PX = 360
_CAPTION_PX = 18
_ACROSS, _DOWN = 3, 4

#: What of a photo never goes into an archive.
STAYS = (
    "names of files and of the site",
    "the hour a photo was taken at, and its exact position",
    "serial numbers, owner's name, maker notes, comments and thumbnails in the photos",
    "tiles without a label",
)


@dataclass(frozen=True, slots=True)
class Preview:
    """What packing would put into the archive. `octets` counts the tiles' bytes."""

    tiles: int
    photos: int
    whole_photos: int
    loose: int
    octets: int
    annotators: tuple[str, ...]
    cameras: tuple[str, ...]
    stated: tuple[tuple[str, str | float], ...]
    sheets: tuple[Path, ...]


@dataclass(frozen=True, slots=True)
class _Shown:
    caption: str
    pixels: NDArray[np.uint8]


def preview_batch(
    store: Store,
    workspace: Workspace,
    batch: Batch,
    giving: Giving,
    out: Path,
    *,
    whole_photos: bool,
) -> Preview:
    """Say what packing a batch would give away, and write contact sheets beside `out`.

    Raises StoreError or PhotoError where tiles or photos cannot be read, OSError where a
    sheet cannot be written.
    """
    photos = photos_in_time(store, batch)
    labelled = {key: store.standing_of(photo.digest) for key, photo in photos.items()}
    given = {key: photo for key, photo in photos.items() if labelled[key]}
    loose = store.loose_of(batch.id)

    def shown() -> Iterator[_Shown]:
        for key, photo in given.items():
            tiles = [item.tile for item, _ in labelled[key]]
            yield _Shown(f"{key}  {photo.name}", _mosaic(workspace, photo, tiles))
        for key, photo in photos.items() if whole_photos else ():
            data = Path(photo.path).read_bytes()
            yield _Shown(f"{key}  {photo.name}, whole", reduced(data, photo.name, _PICTURE_PX))
        for number, (picture, _) in enumerate(loose, 1):
            path = loose_picture_path(workspace, picture.digest)
            pixels = reduced(path.read_bytes(), str(path), _PICTURE_PX)
            yield _Shown(f"n{number:06d}  scale unknown", pixels)

    people = {item.statement.annotator for rows in labelled.values() for item, _ in rows}
    people |= {picture.statement.annotator for picture, _ in loose}
    return Preview(
        tiles=sum(map(len, labelled.values())),
        photos=len(given),
        whole_photos=len(photos) if whole_photos else 0,
        loose=len(loose),
        octets=sum(item.tile.length for rows in labelled.values() for item, _ in rows),
        annotators=tuple(sorted(people)),
        cameras=tuple(sorted({photo.camera for photo in given.values()})),
        stated=tuple(giving_fields(giving).items()),
        sheets=tuple(_write_sheets(shown(), out)),
    )


def _mosaic(workspace: Workspace, photo: Photo, tiles: list[Tile]) -> NDArray[np.uint8]:
    """Put the labelled tiles of a photo where they lie; the rest stays grey."""
    grid = photo.grid
    side = max(4, min(workspace.tile_px, _PICTURE_PX // max(grid.rows, grid.cols)))
    picture = np.full((grid.rows * side, grid.cols * side, 3), 128, np.uint8)
    with TileReader(tile_archive(workspace, photo.digest)) as reader:
        for tile in tiles:
            pixels = reduced(reader.read(tile), f"{photo.name} r{tile.row} c{tile.col}", side)
            picture[tile.row * side :, tile.col * side :][:side, :side] = pixels
    return picture


def _write_sheets(shown: Iterator[_Shown], out: Path) -> Iterator[Path]:
    page = _new_page()
    place = number = 0
    for item in shown:
        if place == _ACROSS * _DOWN:
            number += 1
            yield _write_sheet(page, out, number)
            page, place = _new_page(), 0
        x = place % _ACROSS * (_PICTURE_PX + 8) + 8
        y = place // _ACROSS * (_HIGH_PX + _CAPTION_PX + 8) + 8
        image = Image.fromarray(item.pixels)
        image.thumbnail((_PICTURE_PX, _HIGH_PX))
        page.paste(image, (x, y + _CAPTION_PX))
        text = item.caption.encode("ascii", "replace").decode()  # the font has no more letters
        ImageDraw.Draw(page).text((x, y + 2), text, fill="black")
        place += 1
    if place:
        yield _write_sheet(page, out, number + 1)


def _new_page() -> Image.Image:
    width = _ACROSS * (_PICTURE_PX + 8) + 8
    return Image.new("RGB", (width, _DOWN * (_HIGH_PX + _CAPTION_PX + 8) + 8), "white")


def _write_sheet(page: Image.Image, out: Path, number: int) -> Path:
    path = out.with_name(f"{out.stem}-sheet-{number:02d}.jpg")
    write_whole(path, encode_tile(np.asarray(page)))
    return path


def photo_count(preview: Preview) -> str:
    """Return in words how many pictures of which kind would go."""
    parts = [f"{preview.tiles} tiles of {preview.photos} photos"]
    if preview.whole_photos:
        parts.append(f"{preview.whole_photos} whole photos")
    if preview.loose:
        parts.append(f"{preview.loose} pictures of unknown scale")
    return ", ".join(parts)
