"""Tar shards: for each tile KEY.jpg and KEY.json, side by side, the same bytes each time."""

from __future__ import annotations

import io
import json
import tarfile
from pathlib import Path

from weedset.pool.tilerows import EditionTile

#: Tiles in a shard: some 70 MB at 7 kB a tile.
SHARD_TILES = 10_000


class ShardWriter:
    """Writes the tiles of one split, beginning a new shard whenever one is full."""

    def __init__(self, folder: Path, split: str) -> None:
        self._folder, self._split = folder, split
        self._count = 0
        self._tar: tarfile.TarFile | None = None

    @property
    def name(self) -> str:
        """The name of the shard into which the next tile goes."""
        return f"{self._split}-{self._count // SHARD_TILES:05d}.tar"

    def add(self, tile: EditionTile) -> None:
        """Write a tile."""
        if self._tar is None:
            self._tar = tarfile.open(  # noqa: SIM115  # closed by `close`
                self._folder / self.name, "w", format=tarfile.USTAR_FORMAT
            )
        text = json.dumps(tile.row, ensure_ascii=False, separators=(",", ":"))
        self._add(f"{tile.row['key']}.jpg", tile.picture)
        self._add(f"{tile.row['key']}.json", text.encode())
        self._count += 1
        if self._count % SHARD_TILES == 0:
            self.close()

    def close(self) -> None:
        """Finish the shard that is open, if one is."""
        if self._tar is not None:
            self._tar.close()
            self._tar = None

    def _add(self, name: str, data: bytes) -> None:
        assert self._tar is not None
        info = tarfile.TarInfo(name)  # without date, owner or machine
        info.size = len(data)
        self._tar.addfile(info, io.BytesIO(data))
