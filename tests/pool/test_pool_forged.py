"""Editions that somebody made up: the manifest vouches for every file, and the files lie."""

from __future__ import annotations

import io
import json
import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from typer.testing import CliRunner

from tests.pool.conftest import give
from training.verbs import app
from weedset.digests import file_digest
from weedset.errors import PoolError
from weedset.pool.editions import MANIFEST, freeze
from weedset.pool.frozen import open_edition
from weedset.pool.intake import accept, add
from weedset.pool.layout import create_pool
from weedset.taxonomy import load_species

Forge = Callable[[Path], object]


@pytest.fixture(scope="module")
def edition(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("forged")
    pool = create_pool(folder / "pool")
    path = give(folder, "anna", "s-00000000000000aa")
    accept(pool, add(pool, path, "carla", load_species(), workers=1).digest, "carla")
    freeze(pool, "carla")
    return pool.edition(1)


def column(name: str, values: Callable[[pa.ChunkedArray], object]) -> Forge:
    """Exchange a column of the index."""

    def forge(folder: Path) -> None:
        table = pq.read_table(folder / "index.parquet")
        new = values(table[name])
        at = table.schema.get_field_index(name)
        pq.write_table(table.set_column(at, name, new), folder / "index.parquet")

    return forge


def text(name: str, data: bytes) -> Forge:
    return lambda folder: (folder / name).write_bytes(data)


@pytest.mark.parametrize(
    ("forge", "said"),
    [
        (text("index.parquet", b"PAR1 no table PAR1"), "is no index"),
        (text("index.parquet", b""), "is no index"),
        (column("key", lambda c: pa.array(range(len(c)))), "has another key"),
        (column("site", lambda c: pa.nulls(len(c), pa.string())), "lacks what should be"),
        (column("present", lambda c: pa.array([[None]] * len(c), c.type)), "lacks what should be"),
        (column("row", lambda c: pa.array([-1] * len(c))), "as none is named"),
        (column("stages", lambda c: pa.array([None] * len(c), c.type)), "lacks what should be"),
        (text("croissant.json", b"[]"), "should be a table"),
        (text("croissant.json", b"{"), "is not valid JSON"),
        (text("croissant.json", b"[" * 100_000), "is not valid JSON"),
        (text("croissant.json", b'{"version": 1}'), "should be a text"),
        (text("croissant.json", b'{"version": "\\u001b[2J"}'), "number of the edition"),
        (text("croissant.json", b'{"version": "1.0.0", "version": "2.0.0"}'), "twice"),
        (text("croissant.json", b"\xff\xfe"), "is not UTF-8"),
    ],
)
def test_a_forged_edition_is_refused_in_words(
    edition: Path, tmp_path: Path, forge: Forge, said: str
) -> None:
    folder = shutil.copytree(edition, tmp_path / "edition")
    forge(folder)
    names = [path.name for path in folder.iterdir() if path.name != MANIFEST]
    lines = [f"{file_digest(folder / name)}  {name}\n" for name in sorted(names)]
    (folder / MANIFEST).write_text("".join(lines))
    with pytest.raises(PoolError, match=said):
        list(open_edition(folder).rows())
    for words in (
        ["pool", "export", str(folder), "--to", str(tmp_path / "out")],
        ["train", "configs/small.toml", "--edition", str(folder), "--out", str(tmp_path / "run")],
    ):
        done = CliRunner().invoke(app, words)
        assert done.exit_code == 1, done.output
        assert said in done.stderr
    assert {path.name for path in tmp_path.iterdir()} == {"edition"}


def archive_of_arrays() -> bytes:
    buffer = io.BytesIO()
    np.savez(buffer, np.zeros(3))
    return buffer.getvalue()


@pytest.mark.parametrize(
    "data", [b"", b"PK\x03\x04", b"\x80\x04N.", b"\x93NUMPY\x01", archive_of_arrays()]
)
def test_marks_that_are_none_are_told_or_made_again(
    edition: Path, tmp_path: Path, data: bytes
) -> None:
    """What numpy takes by its first bytes for an archive, a pickle, an array, or for nothing."""
    pool = shutil.copytree(edition.parents[1], tmp_path / "pool")
    (marks,) = (pool / "marks").iterdir()
    marks.write_bytes(data)
    done = CliRunner().invoke(app, ["pool", "twins", str(pool)])
    if done.exit_code:
        assert done.exit_code == 1
        assert "is damaged" in done.stderr
        assert "delete this file" in done.stderr
    else:
        assert marks.read_bytes() != data


@pytest.mark.parametrize("data", [b"\xff\xfe\x00", b"", b"\n", b"0" * 64 + b"  ../../etc/passwd\n"])
def test_a_manifest_of_another_kind_is_refused(edition: Path, tmp_path: Path, data: bytes) -> None:
    folder = shutil.copytree(edition, tmp_path / "edition")
    (folder / MANIFEST).write_bytes(data)
    with pytest.raises(PoolError):
        open_edition(folder)
    done = CliRunner().invoke(app, ["pool", "verify", str(folder), "--json"])
    assert done.exit_code in (1, 3), done.output
    assert done.stdout == "" or json.loads(done.stdout)["damage"]
