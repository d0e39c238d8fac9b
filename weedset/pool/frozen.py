"""Reading an edition: a folder that stands by itself, wherever it has been taken."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from weedset.digests import file_digest
from weedset.errors import PoolError
from weedset.pool.croissant import CROISSANT
from weedset.pool.index import INDEX, require_pyarrow
from weedset.pool.layout import MANIFEST, MANIFEST_LINE
from weedset.pool.tilerows import COLUMNS

_AGAIN = "take the edition again from where you got it"


@dataclass(frozen=True, slots=True)
class Frozen:
    """An edition on the disk that is what its manifest says; `digest` is that of the manifest."""

    folder: Path
    digest: str
    name: str

    def rows(self) -> Iterator[Mapping[str, Any]]:
        """Yield the row of each tile, see `weedset.pool.tilerows.COLUMNS`."""
        require_pyarrow()
        import pyarrow.parquet

        with pyarrow.parquet.ParquetFile(self.folder / INDEX) as file:
            for part in file.iter_batches():
                yield from part.to_pylist()


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
    for line in (folder / MANIFEST).read_text("utf-8").splitlines():
        match = MANIFEST_LINE.fullmatch(line)
        if match is None:
            raise PoolError("holds a line of another kind", where=str(folder / MANIFEST))
        _require(folder / match[2], match[1])
    # What the manifest vouches for is as it was frozen; only a forger's differs.
    number = json.loads((folder / CROISSANT).read_text("utf-8"))["version"].split(".")[0]
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
    import pyarrow.parquet

    there = pyarrow.parquet.read_schema(folder / INDEX).names
    if lacking := [name for name in COLUMNS if name not in there]:
        what = f"has no column {lacking[0]}: it was frozen by another version of weedset"
        fix = "freeze an edition with this version, or use the version that its card names"
        raise PoolError(what, where=str(folder / INDEX), fix=fix)
