"""Shards and the index are written by hand for speed: the same as the libraries write."""

from __future__ import annotations

import io
import json
import random
import tarfile
from pathlib import Path
from typing import Any

import pyarrow
import pyarrow.parquet

from weedset.pool.index import INDEX, IndexWriter
from weedset.pool.shards import ShardWriter
from weedset.pool.tilerows import COLUMNS, EditionTile
from weedset.ustar import member_header


def stage(species: str, number: int) -> dict[str, Any]:
    return {"species": species, "stage": number}


SAMPLES: dict[type, tuple[Any, ...]] = {
    str: ("", "grün", "x" * 300),
    int: (0, 7, 2**40),
    float: (0.0, 0.26, 1e300),
    bool: (True, False),
    list: ([], ["CHEAL"], ["CHEAL", "DAUCS"]),
    dict: ([], [stage("CHEAL", 1)], [stage("CHEAL", 9), stage("DAUCS", 0)]),
}


def rows(count: int) -> list[dict[str, Any]]:
    rng = random.Random(3)
    return [
        {name: rng.choice(SAMPLES[kind]) for name, kind in COLUMNS.items()} | {"key": f"k{i:05d}"}
        for i in range(count)
    ]


def test_a_shard_is_what_tarfile_writes(tmp_path: Path) -> None:
    writer, rng = ShardWriter(tmp_path, "train"), random.Random(5)
    tiles = [
        EditionTile(row, rng.randbytes(rng.choice((0, 1, 511, 512, 7000)))) for row in rows(40)
    ]
    written = [writer.add(tile) for tile in tiles]
    writer.close()
    expected = io.BytesIO()
    with tarfile.open(fileobj=expected, mode="w", format=tarfile.USTAR_FORMAT) as tar:
        for tile, row in zip(tiles, written, strict=True):
            text = json.dumps(row, ensure_ascii=False, separators=(",", ":")).encode()
            for name, data in ((f"{row['key']}.jpg", tile.picture), (f"{row['key']}.json", text)):
                info = tarfile.TarInfo(name)
                info.size = len(data)
                tar.addfile(info, io.BytesIO(data))
    shard = (tmp_path / "train-00000.tar").read_bytes()
    assert shard == expected.getvalue()
    for tile, row in zip(tiles, written, strict=True):
        begin, length = row["offset"], row["length"]
        assert isinstance(begin, int)
        assert isinstance(length, int)
        assert shard[begin : begin + length] == tile.picture


def test_a_header_is_that_of_tarfile_up_to_its_longest_name() -> None:
    for name, size in (("a", 0), ("x" * 100, 8**11 - 1), ("r00001c00002.jpg", 4711)):
        info = tarfile.TarInfo(name)
        info.size = size
        assert member_header(name, size) == info.tobuf(tarfile.USTAR_FORMAT)


def test_the_index_is_what_pyarrow_makes_of_the_rows(tmp_path: Path) -> None:
    given = rows(500)
    writer = IndexWriter(tmp_path / INDEX)
    for row in given:
        writer.add(row)
    writer.close()
    table = pyarrow.parquet.read_table(tmp_path / INDEX)
    assert table.equals(pyarrow.Table.from_pylist(given, table.schema))
    assert table.column_names == list(COLUMNS)
