"""The file of a store: SQLite, opened safely, and written in whole transactions."""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager
from importlib import resources
from pathlib import Path
from typing import TypeVar

from weedset.errors import StoreError
from weedset.settings import Workspace, store_path

_Kind = TypeVar("_Kind", bound="StoreFile")

_VERSION = 1
_BUSY_S = 10.0
_POLL_S = 0.02


class StoreFile:
    """The open file of a store."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._db = connection

    @contextmanager
    def _transaction(self) -> Iterator[None]:
        self._db.execute("BEGIN IMMEDIATE")
        try:
            yield
        except BaseException:
            self._db.execute("ROLLBACK")
            raise
        self._db.execute("COMMIT")


@contextmanager
def open_store_as(kind: type[_Kind], workspace: Workspace) -> Iterator[_Kind]:
    """Open the store as one `kind` of store.

    Raises StoreError where the file is no store, of a newer version, or kept busy by
    another program for longer than ten seconds.
    """
    path = store_path(workspace)
    try:
        connection = sqlite3.connect(path, timeout=_BUSY_S, isolation_level=None)
        try:
            _log_ahead(connection)
            connection.execute("PRAGMA foreign_keys = ON")
            connection.execute("PRAGMA synchronous = FULL")
            _prepare(connection, path)
            yield kind(connection)
        finally:
            connection.close()
    except sqlite3.OperationalError as exc:
        fix = "close the other program that uses this workspace, or make room on the disk"
        if exc.sqlite_errorcode & 0xFF in (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN):
            fix = "make the workspace writable, or copy it to where you may write"
        raise StoreError(f"cannot be used ({exc})", where=str(path), fix=fix) from exc
    except sqlite3.DatabaseError as exc:
        if isinstance(exc, sqlite3.IntegrityError | sqlite3.ProgrammingError):
            raise
        fix = "restore it from a copy"
        raise StoreError(f"is damaged or no store ({exc})", where=str(path), fix=fix) from exc


def _log_ahead(connection: sqlite3.Connection) -> None:
    """Let readers and a writer work at once. To begin with that waits for nobody by itself."""
    until = time.monotonic() + _BUSY_S
    while True:
        try:
            connection.execute("PRAGMA journal_mode = WAL")
            return
        except sqlite3.OperationalError as exc:
            if exc.sqlite_errorcode != sqlite3.SQLITE_BUSY or time.monotonic() > until:
                raise
            time.sleep(_POLL_S)


def _prepare(connection: sqlite3.Connection, path: Path) -> None:
    version = connection.execute("PRAGMA user_version").fetchone()[0]
    if version > _VERSION:
        what = f"is of version {version}, newer than this weedset knows"
        raise StoreError(what, where=str(path), fix="install a newer weedset")
    if version == 0:
        schema = (resources.files("weedset") / "data" / "schema.sql").read_text("utf-8")
        connection.executescript(
            f"BEGIN IMMEDIATE; {schema} PRAGMA user_version = {_VERSION}; COMMIT"
        )
