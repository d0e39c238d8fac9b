"""Reading pictures out of an archive: digests, what lies beside the picture, decoding."""

from __future__ import annotations

import os
import zlib
from collections.abc import Iterable, Iterator
from concurrent.futures import Executor
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

from weedset.contribution.layout import MOST_PHOTO_PIXELS
from weedset.digests import bytes_digest
from weedset.errors import PhotoError, WorkersError
from weedset.hands import in_order
from weedset.images import check_decodes
from weedset.jpegs import plain_jpeg_size
from weedset.storedzip import Member

_CHUNK = 128


@dataclass(frozen=True, slots=True)
class Picture:
    """A picture to check: where it lies, and what is stated about it.

    `width_px`, `height_px` is its stated size, or the most it may have where `exact` is not
    set; `digest` is None where the manifest does not list it.
    """

    name: str
    member: Member
    digest: str | None
    width_px: int
    height_px: int
    exact: bool


@dataclass(frozen=True, slots=True)
class Fault:
    """What is wrong with a picture."""

    name: str
    what: str
    fix: str


def picture_faults(
    path: Path,
    pictures: Iterable[Picture],
    workers: int | None = None,
    executor: Executor | None = None,
) -> Iterator[Fault]:
    """Yield what is wrong with each picture; `workers`, `executor` as for `hands.in_order`.

    A process that a picture brings down is a fault of the archive, not a bug here.
    """
    source = iter(pictures)
    chunks = iter(lambda: list(islice(source, _CHUNK)), [])
    try:
        for faults in in_order(_check, path, chunks, workers, executor):
            yield from faults
    except WorkersError:
        if executor is not None:
            raise  # a cluster is lost for many reasons
        yield Fault("data", "holds a picture that brings its reader down", "leave it out")


def _check(path: Path, pictures: list[Picture]) -> list[Fault]:
    faults = []
    fd = os.open(path, os.O_RDONLY)
    try:
        for picture in pictures:
            data = os.pread(fd, picture.member.size, picture.member.offset)
            faults += content_faults(picture.name, data, picture.member.crc, picture.digest)
            try:
                size = plain_jpeg_size(data)
                _compare_size(picture, size)
                check_decodes(data)
            except PhotoError as error:
                faults.append(Fault(picture.name, error.what, error.fix))
    finally:
        os.close(fd)
    return faults


def content_faults(name: str, data: bytes, crc: int, digest: str | None) -> list[Fault]:
    """Return where `data` is not what the archive and its manifest say it is."""
    fix = "it was changed or damaged on its way: ask for the archive again"
    faults = []
    if zlib.crc32(data) != crc:
        faults.append(Fault(name, "is not what the archive's own check sum says", fix))
    if digest is not None and bytes_digest(data) != digest:
        faults.append(Fault(name, "is not the file whose SHA-256 is in the manifest", fix))
    return faults


def _compare_size(picture: Picture, size: tuple[int, int]) -> None:
    if size[0] * size[1] > MOST_PHOTO_PIXELS:
        fix = "leave whole photos out"
        raise PhotoError(f"has {size[0]} x {size[1]} px, too many to be checked", fix=fix)
    stated = (picture.width_px, picture.height_px)
    fits = size[0] <= stated[0] and size[1] <= stated[1]
    if (size != stated) if picture.exact else not fits:
        shown = "should have" if picture.exact else "should have at most"
        raise PhotoError(f"has {size[0]} x {size[1]} px, {shown} {stated[0]} x {stated[1]}")
