"""Reading an edition: a folder that stands by itself, wherever it has been taken."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from weedset.digests import file_digest
from weedset.errors import PoolError
from weedset.fields import parse_json, read_text
from weedset.pool.croissant import CROISSANT
from weedset.pool.index import INDEX, index_schema, require_pyarrow
from weedset.pool.layout import MANIFEST, listed
from weedset.pool.sites import SHARES
from weedset.pool.tilerows import COLUMNS
from weedset.records import Origin, Verdict
from weedset.taxonomy import is_eppo_code, is_local_code

#: Rows in memory at a time: as Python objects each takes some ten kilobytes.
_ROWS = 1000

_KEY = re.compile(r"[0-9a-f]{16}_p[0-9]{5}_r[0-9]{5}c[0-9]{5}")
_SHARD = re.compile(r"[a-z]{4,10}-[0-9]{5}\.tar")
_VERDICTS, _ORIGINS = frozenset(map(str, Verdict)), frozenset(map(str, Origin))
_MOST_CELLS, _MOST_BYTES = 100_000, 2**40

_AGAIN = "take the edition again from where you got it"


@dataclass(frozen=True, slots=True)
class Frozen:
    """An edition on the disk that is what its manifest says; `digest` is that of the manifest."""

    folder: Path
    digest: str
    name: str

    def rows(self) -> Iterator[Mapping[str, Any]]:
        """Yield the row of each tile, see `weedset.pool.tilerows.COLUMNS`.

        Raises PoolError for one that no edition has: it may be a forger's.
        """
        for row in _rows_of(self.folder / INDEX):
            if not _plain(row):
                what = f"names a tile {row['key'][:40]!r} as none is named"
                raise PoolError(what, where=str(self.folder), fix=_AGAIN)
            yield row


def _rows_of(path: Path) -> Iterator[Mapping[str, Any]]:
    arrow = require_pyarrow()
    import pyarrow.parquet

    try:
        with pyarrow.parquet.ParquetFile(path) as file:
            for part in file.iter_batches(_ROWS, columns=list(COLUMNS)):
                if any(map(_lacks, part.columns)):
                    raise PoolError("lacks what should be in each row", where=str(path), fix=_AGAIN)
                yield from part.to_pylist()
    except (arrow.ArrowException, OSError, UnicodeDecodeError) as exc:
        raise _no_index(path) from exc


def _lacks(column: Any) -> bool:
    """Return whether a value of a pyarrow array is missing, in its lists and tables too."""
    inside = column.flatten() if hasattr(column, "flatten") else []
    parts = inside if isinstance(inside, list) else [inside]  # of a table, or of a list
    return bool(column.null_count) or any(map(_lacks, parts))


def _plain(row: Mapping[str, Any]) -> bool:
    """Tell whether the values of a row are such as `tilerows.edition_tile` gives."""
    stages = {item["species"]: item["stage"] for item in row["stages"]}
    codes = {*row["present"], *row["doubtful"], *row["looked_for"], *stages}
    return (
        _KEY.fullmatch(row["key"]) is not None
        and _SHARD.fullmatch(row["shard"]) is not None
        and row["split"] in SHARES
        and row["verdict"] in _VERDICTS
        and row["origin"] in _ORIGINS
        and 0 <= row["row"] < _MOST_CELLS
        and 0 <= row["col"] < _MOST_CELLS
        and 0 <= row["offset"] < _MOST_BYTES
        and 0 < row["length"] < _MOST_BYTES
        and 0 < row["cell_mm"] < math.inf
        and 0 < row["gsd_mm_per_px"] < math.inf
        and all(0 <= stage <= 9 for stage in stages.values())
        and all(is_eppo_code(code) or is_local_code(code) for code in codes)
    )


def _no_index(path: Path) -> PoolError:
    return PoolError("is no index of an edition", where=str(path), fix=_AGAIN)


def is_edition(folder: Path) -> bool:
    """Return whether a folder looks like an edition."""
    return (folder / MANIFEST).is_file() and (folder / INDEX).is_file()


def open_edition(folder: Path) -> Frozen:
    """Open an edition and see that every file is the one that was frozen.

    Raises PoolError where it is none, or a file of it is missing, damaged or exchanged, and
    MissingPartError where the pool part is not installed.
    """
    require_pyarrow()
    if not is_edition(folder):
        fix = "name the folder of an edition, such as pool/editions/0001"
        raise PoolError("is no edition", where=str(folder), fix=fix)
    named = listed(read_text(folder / MANIFEST, PoolError).encode(), str(folder / MANIFEST))
    for name, digest in named.items():
        _require(folder / name, digest)
    if not {INDEX, CROISSANT} <= named.keys():
        what = f"does not name {INDEX} and {CROISSANT}"
        raise PoolError(what, where=str(folder / MANIFEST), fix=_AGAIN)
    described = parse_json(
        read_text(folder / CROISSANT, PoolError), str(folder / CROISSANT), PoolError
    )
    number = described.text("version").split(".")[0]
    if not number.isdecimal():
        raise described.complaint("version", "should begin with the number of the edition", _AGAIN)
    _require_columns(folder)
    return Frozen(folder, file_digest(folder / MANIFEST), f"edition {number}")


def _require(path: Path, digest: str) -> None:
    try:
        found = file_digest(path)
    except OSError as exc:
        raise PoolError(f"cannot be read ({exc.strerror})", where=str(path), fix=_AGAIN) from exc
    if found != digest:
        raise PoolError("is not the file that was frozen", where=str(path), fix=_AGAIN)


def _require_columns(folder: Path) -> None:
    arrow = require_pyarrow()
    import pyarrow.parquet

    try:
        there = pyarrow.parquet.read_schema(folder / INDEX)
    except (arrow.ArrowException, OSError, UnicodeDecodeError) as exc:
        raise _no_index(folder / INDEX) from exc
    for column in index_schema():
        at = there.get_field_index(column.name)
        if at < 0 or not there.field(at).type.equals(column.type):
            lacks = f"has no column {column.name}" if at < 0 else f"has another {column.name}"
            what = f"{lacks}: it was frozen by another version of weedset"
            fix = "freeze an edition with this version, or use the version that its card names"
            raise PoolError(what, where=str(folder / INDEX), fix=fix)
