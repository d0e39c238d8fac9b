"""Reading the contributions of a pool: they passed the check when they were added."""

from __future__ import annotations

from collections import Counter
from collections.abc import Container, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import date, timedelta
from functools import cached_property
from pathlib import Path

from weedset.contribution.batch import Contribution, contribution_from
from weedset.contribution.layout import (
    BATCH,
    LABELS,
    LOOSE_NAME,
    PHOTO_NAME,
    PHOTOS,
    TILE_NAME,
    tile_name,
)
from weedset.contribution.rows import GivenLabel, label_from, photo_from
from weedset.errors import PoolError, SettingsError, StoreError, WeedsetError, WorkersError
from weedset.fields import Fields, parse_json
from weedset.findings import Findings
from weedset.pool.layout import Pool
from weedset.pool.standing import Standing
from weedset.records import Photo
from weedset.storedzip import Member, StoredZip
from weedset.taxonomy import load_species


@dataclass(frozen=True)
class Contents:
    """An open contribution. Tiles go by their keys, such as p00001/r00002c00003."""

    item: Standing
    whole: Contribution
    photos: dict[str, Photo]
    archive: StoredZip
    members: dict[str, Member]

    def tiles(self) -> Iterator[tuple[str, Member]]:
        """Yield the key of each tile and where it lies, in order."""
        for name, member in self.members.items():
            if TILE_NAME.fullmatch(name):
                yield name.removeprefix("data/tiles/").removesuffix(".jpg"), member

    def picture(self, key: str) -> bytes:
        """Return the JPEG of a tile."""
        return self.archive.read(self.members[tile_name(key)])

    def beside_tiles(self) -> Iterator[tuple[str, bytes]]:
        """Yield the whole photos and the pictures of unknown scale, by name, in order."""
        for name, member in self.members.items():
            if PHOTO_NAME.fullmatch(name) or LOOSE_NAME.fullmatch(name):
                yield name, self.archive.read(member)

    def given(self, only: Container[str] | None = None) -> Iterator[GivenLabel]:
        """Yield what its annotators said of each tile, in order; only of `only`, if given."""
        today = date.fromisoformat(self.item.added_at[:10])
        spot = Findings().at(LABELS)
        for fields in self._rows(LABELS):
            if only is None or fields.raw("picture") in only:
                yield label_from(fields, self.whole, today, spot)

    def labels(self, only: Container[str] | None = None) -> Iterator[GivenLabel]:
        """Yield what stands for each tile, in order: its correction, or what was given."""
        corrections = self.item.corrections
        for label in self.given(only):
            row = corrections.get(label.picture)
            yield label if row is None else self._correction(row)

    def _correction(self, row: Mapping[str, object]) -> GivenLabel:
        """Read a correction: a row of a label by another person, who may know more plants."""
        fields = Fields(row, "journal.jsonl", PoolError)
        whole = replace(self._with_all_species, annotators=(fields.text("identifiedBy"),))
        findings = Findings()
        label = label_from(fields, whole, date.max - timedelta(days=1), findings.at(LABELS))
        if findings.count:
            raise PoolError(f"holds a correction that says nonsense ({findings.shown[0]})")
        return label

    @cached_property
    def _with_all_species(self) -> Contribution:
        return replace(self.whole, species=(*self.whole.species, *load_species().values()))

    def _rows(self, name: str) -> Iterator[Fields]:
        return _rows(self.archive, self.members[name], name)


@contextmanager
def opened(pool: Pool, item: Standing) -> Iterator[Contents]:
    """Open a contribution. Raises PoolError where it is gone or damaged."""
    path = pool.archive(item.digest)
    try:
        with path.open("rb") as file:
            yield _contents(StoredZip(file, str(path)), item)
    except (PoolError, WorkersError, SettingsError, StoreError):
        raise  # of what is done with it, such as writing it elsewhere
    except (OSError, KeyError, UnicodeDecodeError, WeedsetError) as exc:
        why = (isinstance(exc, OSError) and exc.strerror) or str(exc)  # the path is told once
        raise _damaged(path, why) from exc


def _contents(archive: StoredZip, item: Standing) -> Contents:
    members = {member.name.partition("/")[2]: member for member in archive.members(again=True)}
    found = Findings()
    today = date.fromisoformat(item.added_at[:10])
    text = archive.read(members[BATCH]).decode()
    fields = parse_json(text, BATCH, PoolError)
    whole = contribution_from(fields, load_species(), today, found.at(BATCH))
    if whole is None or found.count:
        raise PoolError("does not read as it did when it was added")
    spot = found.at(PHOTOS)
    rows = _rows(archive, members[PHOTOS], PHOTOS)
    photos = [photo_from(row, whole, spot) for row in rows]
    by_key = {photo.name: photo for photo in photos if photo is not None}
    return Contents(item, whole, by_key, archive, members)


def count_features(path: Path) -> dict[str, int]:
    """Return how many tiles of an archive show each species, and each species and stage."""
    counts: Counter[str] = Counter()
    with path.open("rb") as file:
        archive = StoredZip(file, str(path))
        named = {member.name.partition("/")[2]: member for member in archive.members(again=True)}
        for row in _rows(archive, named[LABELS], LABELS):
            counts.update(row.texts("present"))
            stages = row.table("stages")
            counts.update(f"{code} {stages.raw(code)}" for code in stages.names())
    return dict(sorted(counts.items()))


def _rows(archive: StoredZip, member: Member, name: str) -> Iterator[Fields]:
    for line in archive.read(member).decode().splitlines():
        yield parse_json(line, name, PoolError)


def _damaged(path: Path, why: str) -> PoolError:
    fix = "put the archive back from a copy of the pool, or ask its giver for it again"
    return PoolError(f"cannot be used ({why})", where=str(path), fix=fix)
