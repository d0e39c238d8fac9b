"""Packing a labelled batch into one archive that can be handed over.

The same batch packs to the same bytes: names, order, dates and permissions are fixed, and
nothing of the machine or the moment goes in. Each picture is read, written and forgotten;
rows and manifests wait in unnamed files on the disk, so memory does not grow with tiles.
"""

from __future__ import annotations

import json
import tempfile
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO

from weedset.contribution.bagwriter import BagWriter
from weedset.contribution.batch import Contents, Contribution, contribution_table
from weedset.contribution.card import card_text
from weedset.contribution.giving import Giving, giving_path
from weedset.contribution.layout import (
    BATCH,
    CARD,
    LABELS,
    LOOSE,
    MOST_PHOTOS,
    PHOTOS,
    loose_key,
    loose_name,
    photo_key,
    photo_name,
    tile_key,
    tile_name,
)
from weedset.contribution.rows import GivenLabel, label_row, loose_row, photo_row
from weedset.digests import whole_file
from weedset.errors import ContributionError, StoreError
from weedset.images import encode_upright
from weedset.labelling import signed, under_checklist
from weedset.photofiles import path_of
from weedset.records import Batch, Photo, Statement
from weedset.settings import Workspace, loose_picture_path, tile_archive
from weedset.store import Store
from weedset.taxonomy import Species, SpeciesList
from weedset.tilearchive import TileReader


@dataclass
class _Seen:
    """What came by while packing, to be stated at the end, and who is known to give it."""

    giver: str
    tiles: int = 0
    whole_photos: int = 0
    photos: int = 0
    loose: int = 0
    annotators: set[str] = field(default_factory=set)
    tiles_with: Counter[str] = field(default_factory=Counter)

    def note(self, said: Statement) -> Statement:
        """Take in a statement; return it as it leaves the workspace."""
        statement = signed(said, self.giver)
        self.annotators.add(statement.annotator)
        self.tiles_with.update(statement.present)
        self.tiles_with.update(dict.fromkeys(statement.doubtful, 0))
        return statement


def pack_batch(
    store: Store,
    workspace: Workspace,
    batch: Batch,
    giving: Giving,
    species: SpeciesList,
    out: Path,
    *,
    whole_photos: bool = False,
    approve: Callable[[Path], None],
) -> Contribution:
    """Write the labelled tiles of a batch to `out`, which appears only when it is whole.

    `approve` sees the finished archive before it takes its name, and raises to stop it.
    Raises ContributionError where there is nothing to give, or facts contradict each other.
    """
    _agree(batch, giving, giving_path(workspace.root, batch.id))
    photos = photos_in_time(store, batch)
    name = f"{giving.site}-{batch.taken_on}"
    seen = _Seen(giving.giver)
    try:
        with ExitStack() as stack, whole_file(out) as file:
            spools = [stack.enter_context(tempfile.TemporaryFile()) for _ in range(3)]
            labels, loose, rows = spools
            bag = BagWriter(file, name, stack)
            given = {}
            for key, photo in photos.items():
                with TileReader(tile_archive(workspace, photo.digest)) as reader:
                    count = _pack_tiles(
                        bag, store, photo, key, reader, labels, batch.looked_for, seen
                    )
                if count:
                    given[key] = photo
                    rows.write(_line(photo_row(key, photo)))
            seen.photos = len(given)
            if whole_photos:
                _pack_photos(bag, given, seen)
            _pack_loose(bag, store, workspace, batch, loose, seen)
            if not seen.tiles + seen.loose:
                raise nothing_to_give(batch)
            whole = _stated(batch, giving, workspace, seen, species)
            bag.add_payload_file(LABELS, labels)
            if seen.loose:
                bag.add_payload_file(LOOSE, loose)
            bag.add_payload_file(PHOTOS, rows)
            bag.add_payload(BATCH, _pretty(contribution_table(whole)))
            bag.add_payload(CARD, card_text(whole, seen.tiles_with).encode())
            bag.finish()
            file.flush()
            approve(Path(file.name))
    except OSError as exc:
        fix = "make room on the disk, or choose another folder"
        raise ContributionError(
            f"cannot be written ({exc.strerror})", where=str(out), fix=fix
        ) from exc
    return whole


def nothing_to_give(batch: Batch) -> ContributionError:
    """Return the error to raise about a batch without labels."""
    where = f"batch {batch.id}"
    return ContributionError("has no labelled tile", where=where, fix="label some first")


def _agree(batch: Batch, giving: Giving, path: Path) -> None:
    for name, stored, given in (
        ("licence", batch.licence, giving.licence),
        ("giver", batch.giver, giving.giver),
    ):
        if stored and stored != given:
            raise ContributionError(
                f"{path} says {name} {given!r}, but the workspace says {stored!r}",
                where=f"batch {batch.id}: {name}",
                fix=f"change that file, or the {name} on the labelling page under "
                "'About this batch', or state both anew with `weedset describe --again`",
            )
    if not batch.looked_for:
        raise ContributionError(
            "has no checklist: which species were looked for is not known",
            where=f"batch {batch.id}",
            fix="import labels with --looked-for",
        )


def photos_in_time(store: Store, batch: Batch) -> dict[str, Photo]:
    """Return the photos of a batch in the order in which they were taken, by new names.

    Raises ContributionError where there are too many.
    """
    batch_of = store.photos_of_batches()
    photos = [photo for photo in store.photos() if batch_of[photo.digest] == batch.id]
    photos.sort(key=lambda photo: (photo.taken_at or "", photo.name, photo.digest))
    if len(photos) > MOST_PHOTOS:
        raise ContributionError(f"has more than {MOST_PHOTOS} photos", where=f"batch {batch.id}")
    return {photo_key(i): photo for i, photo in enumerate(photos, 1)}


def _pack_tiles(
    bag: BagWriter,
    store: Store,
    photo: Photo,
    key: str,
    reader: TileReader,
    labels: IO[bytes],
    looked_for: Sequence[str],
    seen: _Seen,
) -> int:
    """Add the labelled tiles of a photo and the rows of their labels; return how many."""
    standing = store.standing_of(photo.digest)
    for labelled, made_at in standing:
        picture = tile_key(key, labelled.tile.row, labelled.tile.col)
        statement = seen.note(under_checklist(labelled, looked_for))
        bag.add_payload(tile_name(picture), reader.read(labelled.tile))
        labels.write(_line(label_row(GivenLabel(picture, statement, made_at[:10]))))
    seen.tiles += len(standing)
    return len(standing)


def _pack_photos(bag: BagWriter, photos: Mapping[str, Photo], seen: _Seen) -> None:
    for key, photo in photos.items():
        bag.add_payload(photo_name(key), encode_upright(path_of(photo), photo.digest))
        seen.whole_photos += 1


def _pack_loose(
    bag: BagWriter, store: Store, workspace: Workspace, batch: Batch, rows: IO[bytes], seen: _Seen
) -> None:
    for number, (picture, made_at) in enumerate(store.loose_of(batch.id), 1):
        key, path = loose_key(number), loose_picture_path(workspace, picture.digest)
        bag.add_payload(loose_name(key), read_loose(path))
        label = GivenLabel(key, seen.note(picture.statement), made_at[:10])
        rows.write(_line(loose_row(label, picture.digest)))
        seen.loose += 1


def read_loose(path: Path) -> bytes:
    """Return a picture of unknown scale as it would go. Raises StoreError."""
    try:
        return path.read_bytes()
    except OSError as exc:
        fix = "take the pictures in again"
        what = f"cannot be read ({exc.strerror})"
        raise StoreError(what, where=str(path), fix=fix) from exc


def _stated(
    batch: Batch, giving: Giving, workspace: Workspace, seen: _Seen, species: SpeciesList
) -> Contribution:
    codes = sorted({*batch.looked_for, *seen.tiles_with})
    return Contribution(
        taken_on=batch.taken_on,
        giving=giving,
        cell_mm=workspace.cell_mm,
        tile_px=workspace.tile_px,
        looked_for=tuple(sorted(batch.looked_for)),
        annotators=tuple(sorted(seen.annotators)),
        species=tuple(_known(code, species) for code in codes),
        contents=Contents(seen.tiles, seen.photos, seen.whole_photos, seen.loose),
    )


def _known(code: str, species: SpeciesList) -> Species:
    if code not in species:
        fix = "name your own species list with --species"
        raise ContributionError(f"{code} is in no species list", where="labels", fix=fix)
    return species[code]


def _line(row: Mapping[str, object]) -> bytes:
    return json.dumps(row, ensure_ascii=False, separators=(",", ":")).encode() + b"\n"


def _pretty(table: Mapping[str, object]) -> bytes:
    return json.dumps(table, ensure_ascii=False, indent=1, sort_keys=True).encode() + b"\n"
