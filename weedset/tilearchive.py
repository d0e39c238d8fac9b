"""The archive of the tiles of one photo: a plain tar, written once and read at offsets."""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path

from weedset.digests import whole_file
from weedset.errors import StoreError
from weedset.records import Tile
from weedset.ustar import END_BYTES, member_header, padding

#: Offset and length of a tile in the archive of its photo, in bytes.
Span = tuple[int, int]


def write_archive(
    archive: Path, tiles: Iterable[tuple[tuple[int, int], bytes]], before: bytes = b""
) -> list[Span]:
    """Write the archive of a photo, `before` first; return where in it each tile lies.

    `tiles` are (row, col) and the JPEG of each. Raises OSError.
    """
    spans = []
    with whole_file(archive) as file:
        file.write(before)
        for (row, col), data in tiles:
            file.write(member_header(f"r{row:03d}c{col:03d}.jpg", len(data)))
            spans.append((file.tell(), len(data)))
            file.write(data + padding(len(data)))
        file.write(bytes(END_BYTES))
    return spans


def archive_members(archive: Path) -> bytes:
    """Return an archive without the empty blocks that end it; nothing where it is gone.

    Raises OSError.
    """
    try:
        data = archive.read_bytes()
    except FileNotFoundError:
        return b""
    return data[: max(0, len(data) - END_BYTES)]


class TileReader:
    """The tiles of one photo, read one by one from its archive, which stays open."""

    def __init__(self, archive: Path) -> None:
        self._archive = archive
        self._fd = -1

    def __enter__(self) -> TileReader:
        return self

    def __exit__(self, *_: object) -> None:
        if self._fd >= 0:
            os.close(self._fd)

    def read(self, tile: Tile) -> bytes:
        """Return the JPEG of a tile. Raises StoreError where the archive is gone or shorter."""
        return self.read_at(tile.offset, tile.length)

    def read_at(self, offset: int, length: int) -> bytes:
        """Return the JPEG of `length` bytes at `offset`; see `read`."""
        fix = "tile the photo again"
        try:
            if self._fd < 0:
                self._fd = os.open(self._archive, os.O_RDONLY)
            data = os.pread(self._fd, length, offset)
        except OSError as exc:
            what = f"cannot be read ({exc.strerror})"
            raise StoreError(what, where=str(self._archive), fix=fix) from exc
        if len(data) < length:
            what = "is shorter than when it was written"
            raise StoreError(what, where=str(self._archive), fix=fix)
        return data


def read_tile(archive: Path, tile: Tile) -> bytes:
    """Return the JPEG of a tile. Raises StoreError where the archive is gone or shorter."""
    return read_tile_at(archive, tile.offset, tile.length)


def read_tile_at(archive: Path, offset: int, length: int) -> bytes:
    """Return the JPEG of `length` bytes at `offset`; see `read_tile`."""
    with TileReader(archive) as reader:
        return reader.read_at(offset, length)
