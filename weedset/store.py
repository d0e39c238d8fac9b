"""The store of a workspace: batches, photos, tiles and statements.

All SQL is here, in `storechecklists` and, for what only some verbs ask, in `labelstore` and
`recutting`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager
from datetime import UTC, datetime
from itertools import groupby
from operator import itemgetter
from typing import Any

from weedset.errors import LabelError, StoreError
from weedset.labelling import contradiction, standing_opinion
from weedset.records import (
    Batch,
    LabelledTile,
    LoosePicture,
    Opinion,
    Origin,
    Photo,
    Statement,
    Tile,
)
from weedset.settings import Workspace
from weedset.storechecklists import ChecklistStore
from weedset.storefile import open_store_as
from weedset.storerows import (
    HISTORIES,
    IN_ORDER,
    PHOTOS,
    TILE,
    TILES_WITH_STATEMENTS,
    WITHDRAWN,
    opinion_from,
    photo_from,
    photo_row,
    statement_from,
    tile_from,
    tile_row,
)

#: (photo digest, row, col): the key of a tile wherever it goes.
TileKey = tuple[str, int, int]


def open_store(workspace: Workspace) -> AbstractContextManager[Store]:
    """Open the store of a workspace, making it where there is none yet.

    Raises StoreError as `open_store_as` does.
    """
    return open_store_as(Store, workspace)


class Store(ChecklistStore):
    """An open store. Each writing method is one transaction: done whole, or not at all."""

    def batches(self) -> list[Batch]:
        """Return all batches with their checklists, in order of id."""
        looked_for: dict[str, list[str]] = {}
        for batch_id, species in self._db.execute(
            "SELECT batch_id, species FROM checklist ORDER BY batch_id, species"
        ):
            looked_for.setdefault(batch_id, []).append(species)
        return [
            Batch(row[0], row[1], row[2], row[3], row[4], tuple(looked_for.get(row[0], ())))
            for row in self._db.execute(
                "SELECT id, site, taken_on, giver, licence FROM batch ORDER BY id"
            )
        ]

    def photos(self) -> list[Photo]:
        """Return all photos, in order of batch and name."""
        return [photo_from(row) for row in self._db.execute(f"{PHOTOS} ORDER BY batch_id, name")]

    def digests(self) -> frozenset[str]:
        """Return the digests of all photos."""
        return frozenset(digest for (digest,) in self._db.execute("SELECT digest FROM photo"))

    def tiles(self, photo_digest: str) -> list[Tile]:
        """Return all tiles of a photo, in order of cell."""
        rows = self._db.execute(
            f"SELECT {TILE} FROM tile WHERE photo_digest = ? ORDER BY grid_row, grid_col",
            (photo_digest,),
        )
        return [tile_from(row) for row in rows]

    def add_photo(self, batch: Batch, photo: Photo, tiles: Sequence[Tile]) -> None:
        """Add a photo with its tiles, and its batch where that is new.

        Raises StoreError where the batch is known under another giver or licence.
        """
        with self._transaction():
            self._add_batch(batch)
            self._insert_photo(batch.id, photo, tiles, {})

    def _insert_photo(
        self,
        batch_id: str,
        photo: Photo,
        tiles: Sequence[Tile],
        ids: Mapping[tuple[int, int], int],
    ) -> None:
        """Write a photo with its tiles; `ids` gives the numbers of tiles by (row, col)."""
        self._db.execute(
            f"INSERT INTO photo VALUES ({', '.join('?' * 31)})",
            photo_row(batch_id, photo),
        )
        self._db.executemany(
            f"INSERT INTO tile VALUES ({', '.join('?' * 22)})",
            (tile_row(ids.get((tile.row, tile.col)), tile) for tile in tiles),
        )

    def _add_batch(self, batch: Batch) -> None:
        known = self._db.execute(
            "SELECT giver, licence FROM batch WHERE id = ?", (batch.id,)
        ).fetchone()
        if known is None:
            self._db.execute(
                "INSERT INTO batch VALUES (?, ?, ?, ?, ?)",
                (batch.id, batch.site, batch.taken_on, batch.giver, batch.licence),
            )
        elif not _agrees(known, (batch.giver, batch.licence)):
            raise StoreError(
                f"is known as given by {known[0] or 'nobody stated'} under "
                f"{known[1] or 'no stated licence'}",
                where=f"batch {batch.id}",
                fix="tile its photos with the same --giver and --licence",
            )

    def photos_of_batches(self) -> dict[str, str]:
        """Return the batch id of each photo, by digest."""
        return dict(self._db.execute("SELECT digest, batch_id FROM photo"))

    def add_statements(self, items: Iterable[tuple[TileKey, Statement]]) -> int:
        """Add statements about tiles, all or none, and return how many.

        A statement that repeats what already stands, word for word, by the same annotator and
        under the same checklist, is not added again. That its species exist is the caller's
        to see. Raises StoreError for a tile that is not there, LabelError for a statement that
        contradicts itself.
        """
        added = 0
        grew_after: dict[str, int] = {}
        made_at = datetime.now(UTC).isoformat(timespec="milliseconds")
        with self._transaction():
            for (digest, row, col), statement in items:
                found = self._db.execute(
                    "SELECT id FROM tile WHERE photo_digest = ? AND grid_row = ? AND grid_col = ?",
                    (digest, row, col),
                ).fetchone()
                if found is None:
                    raise StoreError("has no such tile", where=f"photo {digest[:12]} r{row} c{col}")
                if nonsense := contradiction(statement):
                    raise LabelError(nonsense, where=f"photo {digest[:12]} r{row} c{col}")
                stands = standing_opinion(self.history(found[0]))
                if digest not in grew_after:
                    grew_after[digest] = self._checklist_grew_after(digest)
                if (
                    stands is None
                    or stands.statement != statement
                    or stands.id <= grew_after[digest]
                ):
                    self._add_statement(found[0], statement, made_at)
                    added += 1
        return added

    def _add_statement(self, tile_id: int, statement: Statement, made_at: str) -> int:
        stages = dict(statement.stages)
        cursor = self._db.execute(
            "INSERT INTO statement VALUES (NULL, ?, ?, ?, ?, ?, ?)",
            (
                tile_id, statement.annotator, statement.origin, made_at, statement.verdict,
                statement.unknown_plant,
            ),
        )  # fmt: skip
        self._db.executemany(
            "INSERT INTO statement_species VALUES (?, ?, ?, ?)",
            [
                (cursor.lastrowid, species, species in statement.doubtful, stages.get(species))
                for species in sorted(statement.present | statement.doubtful)
            ],
        )
        return int(cursor.lastrowid or 0)

    def history(self, tile_id: int) -> list[Opinion]:
        """Return all that was ever said of a tile, oldest first."""
        return [opinion for _, opinions in self.histories([tile_id]) for opinion in opinions]

    def histories(
        self, tile_ids: Sequence[int] | None = None
    ) -> Iterator[tuple[int, list[Opinion]]]:
        """Yield (tile id, all that was ever said of it, oldest first) in order of tile.

        Of all tiles with statements, or of those in `tile_ids` alone.
        """
        if tile_ids is None:
            rows = self._db.execute(f"{HISTORIES} ORDER BY tile_id, id")
        else:
            marks = ", ".join("?" * len(tile_ids))
            query = f"{HISTORIES} WHERE tile_id IN ({marks}) ORDER BY tile_id, id"
            rows = self._db.execute(query, tuple(tile_ids))
        for tile_id, said in groupby(rows, key=itemgetter(0)):
            yield (
                tile_id,
                [
                    opinion_from(opinion_id, list(parts))
                    for opinion_id, parts in groupby(said, key=itemgetter(1))
                ],
            )

    def labelled_tiles(self) -> list[LabelledTile]:
        """Return each labelled tile with what stands, in order of batch, photo and cell."""
        query = f"{TILES_WITH_STATEMENTS} {IN_ORDER}"
        rows = self._db.execute(query).fetchall()
        return [labelled for labelled, _ in self._standing(rows, self.histories())]

    def standing_of(self, photo_digest: str) -> list[tuple[LabelledTile, str]]:
        """Return each labelled tile of a photo with what stands, and when that was said."""
        query = f"{TILES_WITH_STATEMENTS} AND photo_digest = ? {IN_ORDER}"
        rows = self._db.execute(query, (photo_digest,)).fetchall()
        return list(self._standing(rows, self.histories([row[0] for row in rows])))

    def _standing(
        self, rows: Sequence[tuple[Any, ...]], histories: Iterable[tuple[int, list[Opinion]]]
    ) -> Iterator[tuple[LabelledTile, str]]:
        checklists: dict[str, list[tuple[str, int]]] = {}
        for batch_id, species, after in self._db.execute(
            "SELECT batch_id, species, after_statement FROM checklist"
        ):
            checklists.setdefault(batch_id, []).append((species, after))
        stands = {tile_id: standing_opinion(history) for tile_id, history in histories}
        for row in rows:
            opinion = stands.get(row[0])
            if opinion is None or opinion.statement is None:
                continue
            checklist = checklists.get(row[2], ())
            labelled = LabelledTile(
                tile=tile_from(row[5:]),
                photo_name=row[1],
                batch_id=row[2],
                site=row[3],
                taken_at=row[4],
                looked_for=frozenset(code for code, after in checklist if after < opinion.id),
                statement=opinion.statement,
            )
            yield labelled, opinion.made_at

    def add_loose(self, batch: Batch, pictures: Sequence[LoosePicture]) -> int:
        """Add pictures of unknown scale, and their batch where that is new; return how many.

        The batch brings its checklist. A picture that is there already is not added again.
        Raises StoreError where the batch is known under another giver, licence or checklist.
        """
        made_at = datetime.now(UTC).isoformat(timespec="milliseconds")
        added = 0
        with self._transaction():
            self._add_batch(batch)
            self._set_checklist(batch.id, batch.looked_for)
            for picture in pictures:
                said = picture.statement
                cursor = self._db.execute(
                    "INSERT OR IGNORE INTO loose_picture VALUES (?, ?, ?, ?, ?, ?)",
                    (
                        picture.digest, batch.id, said.annotator, made_at, said.verdict,
                        said.unknown_plant,
                    ),
                )  # fmt: skip
                if cursor.rowcount:
                    added += 1
                    self._db.executemany(
                        "INSERT INTO loose_species VALUES (?, ?)",
                        [(picture.digest, species) for species in sorted(said.present)],
                    )
        return added

    def loose_of(self, batch_id: str) -> list[tuple[LoosePicture, str]]:
        """Return the pictures of unknown scale of a batch and when each was labelled."""
        species: dict[str, list[tuple[str, int, int | None]]] = {}
        for digest, code in self._db.execute("SELECT digest, species FROM loose_species"):
            species.setdefault(digest, []).append((code, 0, None))
        return [
            (LoosePicture(row[0], statement_from(row[1:5], species.get(row[0], []))), row[5])
            for row in self._db.execute(
                "SELECT digest, annotator, ?, verdict, unknown_plant, made_at "
                "FROM loose_picture WHERE batch_id = ? ORDER BY digest",
                (Origin.FOLDER, batch_id),
            )
        ]

    def counts(self) -> dict[str, int]:
        """Return how many batches, photos, tiles and labelled tiles there are."""
        return {
            name: self._db.execute(f"SELECT count(*) FROM {source}").fetchone()[0]
            for name, source in {
                "batches": "batch",
                "photos": "photo",
                "tiles": "tile",
                "labelled": f"(SELECT DISTINCT tile_id FROM statement WHERE {_SAID_NOW})",
                "loose": "loose_picture",
            }.items()
        }


#: Not taken back, nor replaced by the same annotator: `labelling.newest_opinions` in SQL.
_SAID_NOW = f"""verdict <> '{WITHDRAWN}' AND id IN
    (SELECT max(id) FROM statement GROUP BY tile_id, annotator, origin = 'review')"""


def _agrees(known: tuple[str, ...], stated: tuple[str, ...]) -> bool:
    """Tell whether what is stated is what is known; what is left unsaid agrees with all."""
    return all(new in ("", old) for old, new in zip(known, stated, strict=True))
