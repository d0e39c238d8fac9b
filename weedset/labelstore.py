"""What the labelling page asks of the store, beyond what every other verb asks."""

from __future__ import annotations

import fcntl
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime

from weedset.errors import ConflictError, StoreError
from weedset.labelling import UNNAMED
from weedset.records import Origin, Statement
from weedset.settings import Workspace
from weedset.store import Store
from weedset.storefile import open_store_as
from weedset.storerows import WITHDRAWN


@dataclass(frozen=True, slots=True)
class Saying:
    """What an annotator now says of a tile; `statement` None takes back what they said.

    `expects` is the number of their own newest statement as their page knows it, 0 for
    none: where another window has labelled meanwhile, nothing is overwritten unseen.
    """

    tile_id: int
    annotator: str
    origin: Origin
    statement: Statement | None
    expects: int


#: (tile id, photo digest, row, col, byte offset, byte length)
TileRow = tuple[int, str, int, int, int, int]


def open_label_store(workspace: Workspace) -> AbstractContextManager[LabelStore]:
    """Open the store for the labelling page. Raises StoreError as `open_store` does."""
    return open_store_as(LabelStore, workspace)


@contextmanager
def only_one_labels(workspace: Workspace) -> Iterator[None]:
    """Hold the workspace for labelling; the system lets go of it however the program ends.

    Raises StoreError where another program holds it.
    """
    path = workspace.root / ".labelling"
    try:
        with path.open("a+") as file:
            try:
                fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError as exc:
                what = "is open for labelling already"
                fix = "use the page that is open, or stop the other `weedset label` first"
                raise StoreError(what, where=str(workspace.root), fix=fix) from exc
            yield
    except OSError as exc:
        what = f"cannot be written ({exc.strerror})"
        raise StoreError(what, where=str(workspace.root)) from exc


class LabelStore(Store):
    """An open store with what the labelling page asks of it."""

    def tile_rows(self) -> Iterator[TileRow]:
        """Yield where each tile lies, in order of id."""
        return self._db.execute(
            "SELECT id, photo_digest, grid_row, grid_col, byte_offset, byte_length "
            "FROM tile ORDER BY id"
        )

    def newest_ids(self) -> tuple[int, int]:
        """Return the numbers of the newest tile and the newest statement, 0 for none."""
        newest = "SELECT coalesce((SELECT max(id) FROM {}), 0)"
        tile_id, statement_id = (
            self._db.execute(newest.format(table)).fetchone()[0] for table in ("tile", "statement")
        )
        return tile_id, statement_id

    def last_annotator(self) -> str:
        """Return who labelled last by name on the page, "" for nobody yet."""
        row = self._db.execute(
            "SELECT annotator FROM statement WHERE origin IN ('page', 'suggestion') "
            "AND annotator <> ? ORDER BY id DESC LIMIT 1",
            (UNNAMED,),
        ).fetchone()
        return str(row[0]) if row else ""

    def say(self, sayings: Sequence[Saying]) -> tuple[int, ...]:
        """Add what was said and return the numbers of the statements, or add nothing.

        What repeats the same annotator's newest statement is not added again. Raises
        ConflictError naming the tiles of which something else was said meanwhile, and
        StoreError where a batch has no checklist: silence would mean nothing.
        """
        made_at = datetime.now(UTC).isoformat(timespec="milliseconds")
        with self._transaction():
            self._require_checklists([item.tile_id for item in sayings if item.statement])
            numbers = [self._say(saying, made_at) for saying in sayings]
            said = zip(sayings, numbers, strict=True)
            if stale := tuple(saying.tile_id for saying, number in said if not number):
                raise ConflictError(stale)
        return tuple(numbers)

    def _require_checklists(self, tile_ids: Sequence[int]) -> None:
        marks = ", ".join("?" * len(tile_ids))
        bare = self._db.execute(
            "SELECT batch_id FROM tile JOIN photo ON photo_digest = digest "
            f"WHERE tile.id IN ({marks}) "
            "AND batch_id NOT IN (SELECT batch_id FROM checklist) LIMIT 1",
            tile_ids,
        ).fetchone()
        if bare:
            raise StoreError(
                "nobody has said yet which plants you look for",
                where=f"batch {bare[0]}",
                fix="fill in the checklist: absence counts only for what was looked for",
            )

    def _say(self, saying: Saying, made_at: str) -> int:
        """Return the number of the statement, new or standing; 0 where another stands."""
        in_review = saying.origin is Origin.REVIEW
        newest = next(
            (
                item
                for item in reversed(self.history(saying.tile_id))
                if item.annotator == saying.annotator
                and (item.origin is Origin.REVIEW) == in_review
            ),
            None,
        )
        stands = newest.statement if newest else None
        if newest is not None and stands == saying.statement:
            return newest.id
        if (newest.id if newest else 0) != saying.expects:
            return 0
        if saying.statement is not None:
            return self._add_statement(saying.tile_id, saying.statement, made_at)
        cursor = self._db.execute(
            "INSERT INTO statement VALUES (NULL, ?, ?, ?, ?, ?, 0)",
            (saying.tile_id, saying.annotator, saying.origin, made_at, WITHDRAWN),
        )
        return int(cursor.lastrowid or 0)

    def describe_batch(
        self, batch_id: str, *, site: str, taken_on: str, giver: str, licence: str
    ) -> str:
        """Set the facts of a batch and return its id, which follows from site and date.

        Raises StoreError where another batch has that site and date.
        """
        new_id = f"{site} {taken_on}"
        try:
            with self._transaction():
                self._db.execute("PRAGMA defer_foreign_keys = ON")
                self._db.execute(
                    "UPDATE batch SET id = ?, site = ?, taken_on = ?, giver = ?, licence = ? "
                    "WHERE id = ?",
                    (new_id, site, taken_on, giver, licence, batch_id),
                )
                for table in ("photo", "checklist"):
                    self._db.execute(
                        f"UPDATE {table} SET batch_id = ? WHERE batch_id = ?", (new_id, batch_id)
                    )
        except sqlite3.IntegrityError as exc:
            raise StoreError(
                f"there is another batch of {site} on {taken_on}",
                where=f"batch {batch_id}",
                fix="check site and date: photos of one site on one day are one batch",
            ) from exc
        return new_id

    def looks(self) -> Iterator[tuple[int, float, bytes]]:
        """Yield (tile id, green share, features) of the tiles looked at, in order of id."""
        return self._db.execute("SELECT tile_id, green_share, features FROM look ORDER BY tile_id")

    def make_light(self) -> None:
        """Let what this connection writes be lost when the power fails: for caches alone.

        Its transactions then wait for no disk, so that a label never waits for them.
        """
        self._db.execute("PRAGMA synchronous = NORMAL")

    def add_looks(self, rows: Iterable[tuple[int, float, bytes]]) -> None:
        """Keep what the pixels of tiles look like."""
        with self._transaction():
            self._db.executemany("INSERT OR REPLACE INTO look VALUES (?, ?, ?)", rows)
