"""What would leave the machine, in words and as contact sheets for the giver to look at.

No program reliably finds a person, a house number or a face in a window, so a person has
to look. The sheets are put together from the very tiles that would go.
"""

from __future__ import annotations

import io
import json
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont, ImageOps

from weedset.contribution.giving import Giving, giving_fields
from weedset.digests import blocks_digest, write_whole
from weedset.drawn import drawn_exif
from weedset.errors import ContributionError
from weedset.fields import parse_json, read_text
from weedset.images import encode_upright, path_of, reduced
from weedset.labelling import UNNAMED, signed
from weedset.packing import nothing_to_give, photos_in_time, read_loose
from weedset.records import Batch, Photo, Tile
from weedset.settings import Workspace, loose_picture_path, tile_archive
from weedset.store import Store
from weedset.talk import counted
from weedset.tilearchive import TileReader

_SHEET_PX = 1920
_HIGH_PX = 1440
_CAPTION_PX = 28
_TEXT_PX = 20
_GAP_PX = 8
_ON_A_SHEET = 4

#: What of a photo never goes into an archive.
STAYS = (
    "names of files and of the site",
    "the hour a photo was taken at, and its exact position",
    "serial numbers, owner's name, maker notes, comments and thumbnails in the photos",
    "tiles without a label",
)


@dataclass(frozen=True, slots=True)
class Preview:
    """What packing would put into the archive.

    `tile_octets`, `photo_octets` and `loose_octets` are the bytes of the tiles, of the whole
    photos and of the pictures of unknown scale. `unnamed` labels were made without a name
    and go under the giver's.
    """

    tiles: int
    photos: int
    whole_photos: int
    loose: int
    tile_octets: int
    photo_octets: int
    loose_octets: int
    annotators: tuple[str, ...]
    unnamed: int
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

    Raises ContributionError where there is nothing to give, StoreError or PhotoError where
    tiles or photos cannot be read, OSError where a sheet cannot be written.
    """
    photos = photos_in_time(store, batch)
    labelled = {key: store.standing_of(photo.digest) for key, photo in photos.items()}
    given = {key: photo for key, photo in photos.items() if labelled[key]}
    loose = store.loose_of(batch.id)
    if not given and not loose:
        raise nothing_to_give(batch)
    octets = {"photo": 0, "loose": 0}

    def shown() -> Iterator[_Shown]:
        for key, photo in given.items():
            tiles = [item.tile for item, _ in labelled[key]]
            yield _Shown(f"{key}  {photo.name}", _mosaic(workspace, photo, tiles))
        for key, photo in given.items() if whole_photos else ():
            data = encode_upright(path_of(photo), photo.digest)
            octets["photo"] += len(data)
            yield _Shown(f"{key}  {photo.name}, whole", reduced(data, photo.name, _SHEET_PX))
        for number, (picture, _) in enumerate(loose, 1):
            data = read_loose(loose_picture_path(workspace, picture.digest))
            octets["loose"] += len(data)
            key = f"n{number:06d}"
            yield _Shown(f"{key}  scale unknown", reduced(data, key, _SHEET_PX))

    said = [item.statement for rows in labelled.values() for item, _ in rows]
    said += [picture.statement for picture, _ in loose]
    sheets = tuple(_write_sheets(shown(), out))
    return Preview(
        tiles=sum(map(len, labelled.values())),
        photos=len(given),
        whole_photos=len(given) if whole_photos else 0,
        loose=len(loose),
        tile_octets=sum(item.tile.length for rows in labelled.values() for item, _ in rows),
        photo_octets=octets["photo"],
        loose_octets=octets["loose"],
        annotators=tuple(sorted({signed(item, giving.giver).annotator for item in said})),
        unnamed=sum(item.annotator == UNNAMED for item in said),
        cameras=tuple(sorted({photo.camera for photo in given.values()})),
        stated=tuple(giving_fields(giving).items()),
        sheets=sheets,
    )


def _mosaic(workspace: Workspace, photo: Photo, tiles: list[Tile]) -> NDArray[np.uint8]:
    """Put the labelled tiles of a photo where they lie to each other; the rest stays grey."""
    first_row, first_col = min(tile.row for tile in tiles), min(tile.col for tile in tiles)
    rows = max(tile.row for tile in tiles) - first_row + 1
    cols = max(tile.col for tile in tiles) - first_col + 1
    side = max(4, min(workspace.tile_px, _SHEET_PX // cols, _HIGH_PX // rows))
    picture = np.full((rows * side, cols * side, 3), 128, np.uint8)
    with TileReader(tile_archive(workspace, photo.digest)) as reader:
        for tile in tiles:
            pixels = reduced(reader.read(tile), f"{photo.name} r{tile.row} c{tile.col}", side)
            y, x = (tile.row - first_row) * side, (tile.col - first_col) * side
            picture[y : y + side, x : x + side] = pixels
    return picture


def _write_sheets(shown: Iterator[_Shown], out: Path) -> Iterator[Path]:
    number = 0
    while items := list(islice(shown, _ON_A_SHEET)):
        number += 1
        path = out.with_name(f"{out.stem}-sheet-{number:02d}.jpg")
        buffer = io.BytesIO()
        _sheet(items).save(buffer, "JPEG", quality=92, subsampling=0, exif=drawn_exif())
        write_whole(path, buffer.getvalue())
        yield path


def _sheet(items: list[_Shown]) -> Image.Image:
    """Return a sheet that its pictures fill: one across it, or two beside each other."""
    across = 1 if len(items) == 1 else 2
    wide, high = (_SHEET_PX - (across - 1) * _GAP_PX) // across, _HIGH_PX // across
    images = [ImageOps.contain(Image.fromarray(item.pixels), (wide, high)) for item in items]
    heights = [
        max(image.height for image in images[at : at + across])
        for at in range(0, len(images), across)
    ]
    step = _CAPTION_PX + _GAP_PX
    size = (_SHEET_PX + 2 * _GAP_PX, sum(heights) + len(heights) * step + _GAP_PX)
    page = Image.new("RGB", size, "white")
    draw, font = ImageDraw.Draw(page), ImageFont.load_default(_TEXT_PX)
    for place, (item, image) in enumerate(zip(items, images, strict=True)):
        row, col = divmod(place, across)
        x, y = col * (wide + _GAP_PX) + _GAP_PX, sum(heights[:row]) + row * step + _GAP_PX
        text = item.caption.encode("ascii", "replace").decode()  # the font has no more letters
        draw.text((x, y), text, fill="black", font=font)
        page.paste(image, (x, y + _CAPTION_PX))
    return page


def remember_preview(
    store: Store, workspace: Workspace, batch: Batch, *, whole_photos: bool
) -> None:
    """Keep in the workspace which pictures a person was shown. Raises OSError."""
    shown = _pictures_digest(store, batch)
    record = {"pictures": shown, "whole_photos": whole_photos}
    write_whole(_shown_path(workspace, batch), json.dumps(record) + "\n")


def require_preview(
    store: Store, workspace: Workspace, batch: Batch, *, whole_photos: bool
) -> None:
    """Raise ContributionError unless a preview has shown the very pictures that would go."""
    where, path = f"batch {batch.id}", _shown_path(workspace, batch)
    if not path.is_file():
        fix = "run it with --preview first, and look at the contact sheet"
        raise ContributionError("no preview of these pictures was made", where=where, fix=fix)
    fields = parse_json(read_text(path, ContributionError), str(path), ContributionError)
    again = "run it with --preview again, and look at the contact sheet"
    if fields.text("pictures") != _pictures_digest(store, batch):
        what = "other pictures would go than the preview showed"
        raise ContributionError(what, where=where, fix=again)
    if whole_photos and not fields.truth("whole_photos"):
        fix = "run it with --preview --photos first, or leave --photos out"
        what = "the preview showed the tiles alone, not the whole photos"
        raise ContributionError(what, where=where, fix=fix)


def _shown_path(workspace: Workspace, batch: Batch) -> Path:
    return workspace.root / "giving" / f"{batch.id}.shown.json"


def _pictures_digest(store: Store, batch: Batch) -> str:
    """Return a digest of which pictures would go: a label that changes does not change it."""
    return blocks_digest(f"{line}\n".encode() for line in _pictures(store, batch))


def _pictures(store: Store, batch: Batch) -> Iterator[str]:
    for photo in photos_in_time(store, batch).values():
        for item, _ in store.standing_of(photo.digest):
            tile = item.tile
            yield f"{photo.digest} {tile.row} {tile.col} {tile.length} {tile.footprint}"
    for picture, _ in store.loose_of(batch.id):
        yield picture.digest


def picture_counts(preview: Preview) -> list[str]:
    """Return in words how many pictures of which kind would go, and how large they are."""
    tiles = f"{counted(preview.tiles, 'tile')} of {counted(preview.photos, 'photo')}"
    parts = [f"{tiles}: {_size(preview.tile_octets)}"]
    if preview.whole_photos:
        whole = counted(preview.whole_photos, "whole photo")
        parts.append(f"{whole}: {_size(preview.photo_octets)}")
    if preview.loose:
        loose = counted(preview.loose, "picture")
        parts.append(f"{loose} of unknown scale: {_size(preview.loose_octets)}")
    if len(parts) > 1:
        parts.append(f"all pictures together: {_size(all_octets(preview))}")
    return parts


def all_octets(preview: Preview) -> int:
    """Return the bytes of all pictures that would go."""
    return preview.tile_octets + preview.photo_octets + preview.loose_octets


def _size(octets: int) -> str:
    return f"{octets / 1e6:.1f} MB" if octets >= 1e6 else f"{octets / 1e3:.0f} kB"
