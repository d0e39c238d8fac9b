"""The index of an edition: a Parquet table with a row for each tile."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from weedset.errors import MissingPartError
from weedset.pool.tilerows import COLUMNS

INDEX = "index.parquet"

_GROUP_ROWS = 20_000


def require_pyarrow() -> Any:
    """Return pyarrow. Raises MissingPartError where it is not installed."""
    try:
        import pyarrow
    except ModuleNotFoundError as exc:
        fix = "pip install 'weedset[pool]'"
        raise MissingPartError("freezing editions needs the pool part", fix=fix) from exc
    return pyarrow


def index_schema() -> Any:
    """Return the pyarrow schema of an index. Raises MissingPartError."""
    arrow = require_pyarrow()
    kinds = {
        str: arrow.string(),
        int: arrow.int64(),
        float: arrow.float64(),
        bool: arrow.bool_(),
        list: arrow.list_(arrow.string()),
        dict: arrow.list_(arrow.struct([("species", arrow.string()), ("stage", arrow.int8())])),
    }
    return arrow.schema([(name, kinds[kind]) for name, kind in COLUMNS.items()])


class IndexWriter:
    """Writes rows to a Parquet file, some ten thousand at a time."""

    def __init__(self, path: Path) -> None:
        arrow = require_pyarrow()
        import pyarrow.parquet

        self._arrow = arrow
        self._schema = index_schema()
        self._writer = pyarrow.parquet.ParquetWriter(path, self._schema, compression="zstd")
        self._rows: list[dict[str, Any]] = []

    def add(self, row: dict[str, Any]) -> None:
        """Write a row."""
        self._rows.append(row)
        if len(self._rows) >= _GROUP_ROWS:
            self._flush()

    def close(self) -> None:
        """Finish the file."""
        self._flush()
        self._writer.close()

    def _flush(self) -> None:
        if self._rows:
            columns = [
                self._arrow.array([row[name] for row in self._rows], self._schema.field(name).type)
                for name in COLUMNS
            ]
            self._writer.write_table(self._arrow.Table.from_arrays(columns, schema=self._schema))
            self._rows = []
