"""What would leave the machine, in words and as sheets for the giver to look through."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from weedset.contribution.giving import Giving, giving_fields
from weedset.contribution.layout import loose_key
from weedset.digests import blocks_digest, write_whole
from weedset.errors import ContributionError
from weedset.fields import parse_json, read_text
from weedset.images import encode_upright
from weedset.labelling import UNNAMED, signed
from weedset.looksheets import Shown, shown, shown_tiles, write_sheets
from weedset.packing import nothing_to_give, photos_in_time, read_loose
from weedset.photofiles import path_of
from weedset.records import Batch, Photo, Tile
from weedset.settings import Workspace, loose_picture_path, tile_archive
from weedset.store import Store
from weedset.talk import counted
from weedset.tilearchive import TileReader

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

    def pictures() -> Iterator[Shown]:
        for key, photo in given.items():
            tiles = [item.tile for item, _ in labelled[key]]
            yield _shown_tiles(workspace, f"{key}  {photo.name}", photo, tiles)
        for key, photo in given.items() if whole_photos else ():
            data = encode_upright(path_of(photo), photo.digest)
            octets["photo"] += len(data)
            yield shown(f"{key}  {photo.name}, whole", data)
        for number, (picture, _) in enumerate(loose, 1):
            data = read_loose(loose_picture_path(workspace, picture.digest))
            octets["loose"] += len(data)
            yield shown(f"{loose_key(number)}  scale unknown", data)

    said = [item.statement for rows in labelled.values() for item, _ in rows]
    said += [picture.statement for picture, _ in loose]
    sheets = write_sheets(pictures(), out.parent, f"{out.stem}-sheet")
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
        sheets=tuple(sheets),
    )


def _shown_tiles(workspace: Workspace, caption: str, photo: Photo, tiles: Sequence[Tile]) -> Shown:
    places = [(tile.row, tile.col) for tile in tiles]
    with TileReader(tile_archive(workspace, photo.digest)) as reader:
        return shown_tiles(caption, places, map(reader.read, tiles), workspace.tile_px)


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
