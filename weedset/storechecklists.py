"""The checklists of batches: which species were looked for, and since which statement."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from weedset.errors import StoreError
from weedset.storefile import StoreFile


class ChecklistStore(StoreFile):
    """An open store, as far as its checklists go."""

    def set_checklist(self, batch_id: str, looked_for: Sequence[str]) -> tuple[str, ...]:
        """State which species the annotators of a batch looked for.

        A batch with labels may look for more from the next statement on: what was said
        before stays silent about the new species. Returns these. Raises StoreError where
        a species would be taken off under labels, or one added under pictures of unknown
        scale, which know no before and after.
        """
        with self._transaction():
            return self._set_checklist(batch_id, looked_for)

    def _set_checklist(self, batch_id: str, looked_for: Sequence[str]) -> tuple[str, ...]:
        known = self._checklist(batch_id)
        gone, new = sorted(known - set(looked_for)), sorted(set(looked_for) - known)
        if not gone and not new:
            return ()
        newest, loose = self._labels_of(batch_id)
        labelled = bool(newest or loose)
        if labelled and gone:
            raise _other_checklist(batch_id, known, f"{', '.join(gone)} missing now")
        self._add_to_checklist(batch_id, new)
        self._db.executemany(
            "DELETE FROM checklist WHERE batch_id = ? AND species = ?",
            [(batch_id, code) for code in gone],
        )
        return tuple(new) if labelled else ()

    def _add_to_checklist(self, batch_id: str, species: Iterable[str]) -> None:
        """Look for more species from the next statement on; what is listed stays as it is.

        Raises StoreError under pictures of unknown scale, which know no before and after.
        """
        known = self._checklist(batch_id)
        new = sorted(set(species) - known)
        newest, loose = self._labels_of(batch_id)
        if loose and new:
            raise _other_checklist(batch_id, known, f"{', '.join(new)} new now")
        self._db.executemany(
            "INSERT INTO checklist VALUES (?, ?, ?)", [(batch_id, code, newest) for code in new]
        )

    def _checklist(self, batch_id: str) -> set[str]:
        rows = self._db.execute("SELECT species FROM checklist WHERE batch_id = ?", (batch_id,))
        return {species for (species,) in rows}

    def _labels_of(self, batch_id: str) -> tuple[int, bool]:
        """Return a batch's newest statement, 0 for none, and whether it has loose pictures."""
        newest, loose = self._db.execute(
            "SELECT (SELECT coalesce(max(statement.id), 0) FROM statement "
            "JOIN tile ON tile.id = tile_id "
            "JOIN photo ON photo.digest = photo_digest WHERE batch_id = ?), "
            "EXISTS (SELECT 1 FROM loose_picture WHERE batch_id = ?)",
            (batch_id, batch_id),
        ).fetchone()
        return newest, bool(loose)

    def extend_checklist(self, batch_id: str, species: Iterable[str]) -> None:
        """Add species to what is looked for in a batch, from the next statement on.

        What was said before keeps its meaning: it is silent about the new species. Raises
        StoreError under pictures of unknown scale, as `set_checklist` does.
        """
        with self._transaction():
            self._add_to_checklist(batch_id, species)

    def reduce_checklist(self, batch_id: str, species: Iterable[str]) -> None:
        """Take species off the checklist of a batch.

        Raises StoreError where statements were made that looked for one of them.
        """
        with self._transaction():
            for code in species:
                held = self._db.execute(
                    "SELECT 1 FROM checklist JOIN photo USING (batch_id) "
                    "JOIN tile ON photo_digest = digest JOIN statement ON tile_id = tile.id "
                    "WHERE batch_id = ? AND species = ? AND statement.id > after_statement LIMIT 1",
                    (batch_id, code),
                ).fetchone()
                if held:
                    raise StoreError(
                        f"{code} stays on the checklist: labels were made while looking for it",
                        where=f"batch {batch_id}",
                        fix="leave it; absence of it was stated and counts",
                    )
                self._db.execute(
                    "DELETE FROM checklist WHERE batch_id = ? AND species = ?", (batch_id, code)
                )

    def _checklist_grew_after(self, photo_digest: str) -> int:
        """Return the newest statement when a species last came onto the checklist, 0 if never."""
        (number,) = self._db.execute(
            "SELECT coalesce(max(after_statement), 0) FROM checklist "
            "JOIN photo USING (batch_id) WHERE digest = ?",
            (photo_digest,),
        ).fetchone()
        return int(number)


def _other_checklist(batch_id: str, known: Iterable[str], change: str) -> StoreError:
    return StoreError(
        f"was labelled looking for {', '.join(sorted(known)) or 'nothing stated'}: {change}",
        where=f"batch {batch_id}",
        fix="give the checklist as it was: absence of these was stated, and counts",
    )
