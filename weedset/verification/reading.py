"""One pass over the pictures of an archive, their manifests and their labels, in step."""

from __future__ import annotations

import hashlib
import zlib
from collections.abc import Iterator
from concurrent.futures import Executor
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from weedset.contribution.batch import UNSTATED, Contents, Contribution
from weedset.contribution.layout import (
    BATCH,
    LABELS,
    LOOSE,
    LOOSE_NAME,
    MANIFEST,
    MOST_LOOSE_PX,
    MOST_PHOTOS,
    PAYLOAD_FILES,
    PHOTO_NAME,
    PHOTOS,
    TAG_FILES,
    TILE_NAME,
    name_order,
)
from weedset.contribution.rows import photo_from
from weedset.findings import Findings
from weedset.storedzip import Member, StoredZip
from weedset.verification.labels import label_rows, row_fields
from weedset.verification.ordered import InStep, manifest_rows, rows_of
from weedset.verification.pictures import Picture, picture_faults
from weedset.verification.survey import Survey


@dataclass
class _PhotoSeen:
    """What tiles must agree with: a photo's size and grid, and how many tiles came by."""

    width_px: int
    height_px: int
    rows: int
    cols: int
    tiles: int = 0


class Reading:
    """The pass, and what it has counted so far."""

    def __init__(
        self,
        path: Path,
        archive: StoredZip,
        survey: Survey,
        findings: Findings,
        whole: Contribution,
        today: date,
    ) -> None:
        self._path, self._archive, self._survey = path, archive, survey
        self._findings, self._whole, self._today = findings, whole, today
        self._photos: dict[str, _PhotoSeen] = {}
        self._tiles = self._loose = self._whole_photos = 0

    def run(self, workers: int | None, executor: Executor | None) -> None:
        """Read all, adding to the findings."""
        self._read_photos()
        for fault in picture_faults(self._path, self._pictures(), workers, executor):
            self._findings.at(fault.name).add(fault.what, fix=fault.fix)
        for key, photo in self._photos.items():
            if photo.tiles == 0:
                self._findings.at(PHOTOS).add(f"names {key}, of which there is no tile")
        came = Contents(self._tiles, len(self._photos), self._whole_photos, self._loose)
        for name in ("tiles", "photos", "whole_photos", "loose"):
            stated, counted = getattr(self._whole.contents, name), getattr(came, name)
            if stated not in (counted, UNSTATED):
                what = f"says {stated}, but there are {counted}"
                self._findings.at(BATCH).add(what, field=name)
        if self._tiles + self._loose == 0:
            self._findings.at(LABELS).add("holds no label", fix="label some tiles first")

    def _read_photos(self) -> None:
        last, digests = "", set()
        member = self._survey.files[PHOTOS]
        for number, line in rows_of(self._archive, member, self._findings, PHOTOS):
            spot = self._findings.at(PHOTOS, number)
            if number > MOST_PHOTOS:
                spot.add(f"is one more than the {MOST_PHOTOS} photos that a batch may have")
                return
            fields = row_fields(line, spot)
            if fields is None:
                continue
            photo = photo_from(fields, self._whole, spot)
            if photo is None:
                continue
            if photo.name <= last or photo.digest in digests:
                spot.add(f"repeats photo {photo.name}, or comes out of order")
                continue
            last = photo.name
            digests.add(photo.digest)
            self._photos[photo.name] = _PhotoSeen(
                photo.width_px, photo.height_px, photo.grid.rows, photo.grid.cols
            )

    def _labels(self, file: str) -> InStep[tuple[int, str]]:
        """Return the labels of tiles, or of loose pictures, to be taken in step with those."""

        def lonely(row: tuple[int, str]) -> None:
            spot = self._findings.at(file, row[0])
            spot.add(f"speaks of {row[1]!r}, which is not there", field="picture")

        member = self._survey.files.get(file)
        if member is None:
            return InStep(iter(()), lonely)
        rows = label_rows(self._archive, member, self._whole, self._today, self._findings, file)
        return InStep(rows, lonely)

    def _pictures(self) -> Iterator[Picture]:
        """Yield the pictures to decode; check the other files of the payload on the way."""

        def absent(listed: tuple[str, str]) -> None:
            self._findings.at(listed[0]).add(
                "is in a manifest, but missing", fix="ask for it again"
            )

        labels, loose = self._labels(LABELS), self._labels(LOOSE)
        manifest = InStep(
            manifest_rows(self._archive, self._survey.files[MANIFEST], self._findings), absent
        )
        for member in self._archive.members(again=True):
            name = member.name.removeprefix(f"{self._survey.bag}/")
            order = name_order(name)
            if member.fault or order is None or name in TAG_FILES or name == member.name:
                continue  # the survey has spoken of it
            listed = manifest.take(order)
            if listed is None:
                self._findings.at(name).add(f"is not listed in {MANIFEST}")
            digest = listed[1] if listed else None
            if name in PAYLOAD_FILES:
                self._check_file(name, member, digest)
                continue
            rows = labels if TILE_NAME.fullmatch(name) else loose
            if rows.take(order) is None and not PHOTO_NAME.fullmatch(name):
                self._findings.at(name).add("has no row of labels", fix="pack it again")
            yield Picture(name, member, digest, *self._stated_size(name))
        labels.finish()
        loose.finish()
        manifest.finish()

    def _stated_size(self, name: str) -> tuple[int, int, bool]:
        """Return the size a picture should have and whether it is exact; count it."""
        spot = self._findings.at(name)
        if LOOSE_NAME.fullmatch(name):
            self._loose += 1
            return MOST_LOOSE_PX, MOST_LOOSE_PX, False
        tile = TILE_NAME.fullmatch(name)
        match = tile or PHOTO_NAME.fullmatch(name)
        photo = self._photos.get(match[1]) if match else None
        if photo is None:
            spot.add(f"is of a photo that {PHOTOS} does not name")
            photo = _PhotoSeen(0, 0, 100_000, 100_000)
        if tile is None:
            self._whole_photos += 1
            return photo.width_px, photo.height_px, True
        self._tiles += 1
        photo.tiles += 1
        if int(tile[2]) >= photo.rows or int(tile[3]) >= photo.cols:
            spot.add(f"lies outside its photo's {photo.rows} rows and {photo.cols} columns")
        return self._whole.tile_px, self._whole.tile_px, True

    def _check_file(self, name: str, member: Member, digest: str | None) -> None:
        crc, real = 0, hashlib.sha256()
        for chunk in self._archive.chunks(member):
            crc = zlib.crc32(chunk, crc)
            real.update(chunk)
        if crc != member.crc or digest not in (None, real.hexdigest()):
            fix = "it was changed or damaged on its way: ask for the archive again"
            self._findings.at(name).add("is not the file that the manifest lists", fix=fix)
