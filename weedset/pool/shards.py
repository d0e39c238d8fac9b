"""Tar shards: for each tile KEY.jpg and KEY.json, side by side, the same bytes each time."""

from __future__ import annotations

import json
from pathlib import Path
from typing import IO

from weedset.pool.tilerows import EditionTile
from weedset.ustar import END_BYTES, RECORD_BYTES, member_header, padding

#: Tiles after which a shard takes no further photo: some 70 MB at 7 kB a tile.
SHARD_TILES = 10_000

_BUFFER_BYTES = 1 << 20
_encode = json.JSONEncoder(ensure_ascii=False, separators=(",", ":")).encode


class ShardWriter:
    """Writes the tiles of one split, beginning a new shard whenever one is full.

    All tiles of a photo go into one shard, so the shard of a photo tells where to look.
    """

    def __init__(self, folder: Path, split: str) -> None:
        self._folder, self._split = folder, split
        self._shards = self._count = 0
        self._photo: object = None
        self._file: IO[bytes] | None = None
        self._bytes = 0

    def add(self, tile: EditionTile) -> dict[str, object]:
        """Write a tile; return its row with its place: `shard`, `offset` and `length`."""
        photo = (tile.row["contribution"], tile.row["photo"])
        if self._file is None or (self._count >= SHARD_TILES and photo != self._photo):
            self._begin()
        self._photo = photo
        key = tile.row["key"]
        header = member_header(f"{key}.jpg", len(tile.picture))
        place = {"offset": self._bytes + len(header), "length": len(tile.picture)}
        row = {**tile.row, "shard": self._name(self._shards - 1), **place}
        text = _encode(row).encode()
        self._put(header, tile.picture)
        self._put(member_header(f"{key}.json", len(text)), text)
        self._count += 1
        return row

    def close(self) -> None:
        """Finish the shard that is open, if one is."""
        if self._file is not None:
            self._file.write(bytes(END_BYTES + -(self._bytes + END_BYTES) % RECORD_BYTES))
            self._file.close()
            self._file = None

    def _name(self, number: int) -> str:
        return f"{self._split}-{number:05d}.tar"

    def _begin(self) -> None:
        self.close()
        path = self._folder / self._name(self._shards)
        self._file = path.open("wb", _BUFFER_BYTES)  # closed by `close`
        self._shards, self._count, self._bytes = self._shards + 1, 0, 0

    def _put(self, header: bytes, data: bytes) -> None:
        assert self._file is not None
        whole = b"".join((header, data, padding(len(data))))
        self._file.write(whole)
        self._bytes += len(whole)
