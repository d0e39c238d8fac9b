"""Tar shards: for each tile KEY.jpg and KEY.json, side by side, the same bytes each time."""

from __future__ import annotations

import io
import json
import tarfile
from pathlib import Path

from weedset.pool.tilerows import EditionTile

#: Tiles after which a shard takes no further photo: some 70 MB at 7 kB a tile.
SHARD_TILES = 10_000


class ShardWriter:
    """Writes the tiles of one split, beginning a new shard whenever one is full.

    All tiles of a photo go into one shard, so the shard of a photo tells where to look.
    """

    def __init__(self, folder: Path, split: str) -> None:
        self._folder, self._split = folder, split
        self._shards = self._count = 0
        self._photo: object = None
        self._tar: tarfile.TarFile | None = None

    def add(self, tile: EditionTile) -> dict[str, object]:
        """Write a tile; return its row with its place: `shard`, `offset` and `length`."""
        photo = (tile.row["contribution"], tile.row["photo"])
        if self._tar is None or (self._count >= SHARD_TILES and photo != self._photo):
            self._begin()
        assert self._tar is not None
        self._photo = photo
        name = f"{self._split}-{self._shards - 1:05d}.tar"
        # One block of header goes before a file: USTAR has no more for so short a name.
        place = {"offset": self._tar.offset + tarfile.BLOCKSIZE, "length": len(tile.picture)}
        row = {**tile.row, "shard": name, **place}
        text = json.dumps(row, ensure_ascii=False, separators=(",", ":"))
        self._put(self._tar, f"{row['key']}.jpg", tile.picture)
        self._put(self._tar, f"{row['key']}.json", text.encode())
        self._count += 1
        return row

    def close(self) -> None:
        """Finish the shard that is open, if one is."""
        if self._tar is not None:
            self._tar.close()
            self._tar = None

    def _begin(self) -> None:
        self.close()
        path = self._folder / f"{self._split}-{self._shards:05d}.tar"
        self._tar = tarfile.open(  # noqa: SIM115  # closed by `close`
            path, "w", format=tarfile.USTAR_FORMAT
        )
        self._shards, self._count = self._shards + 1, 0

    def _put(self, tar: tarfile.TarFile, name: str, data: bytes) -> None:
        info = tarfile.TarInfo(name)  # without date, owner or machine
        info.size = len(data)
        tar.addfile(info, io.BytesIO(data))
