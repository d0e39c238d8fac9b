"""Cutting photos again that are in a workspace: under a corrected profile, or for another site.

Labels speak of ground. So a photo with labels is only cut again where every cell stays what
it was, to the last number; the labels of all others would shift onto other ground.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, replace
from enum import Enum
from pathlib import Path

from weedset.cells import CellsInView
from weedset.errors import StoreError, WeedsetError
from weedset.images import open_photo
from weedset.records import Batch, CameraProfile, Photo, Tile
from weedset.settings import Workspace, tile_archive
from weedset.store import Store
from weedset.storefile import open_store_as
from weedset.storerows import PHOTOS, photo_from
from weedset.talk import counted
from weedset.tiling import describe_anew, plan_photo

#: For planning a photo is decoded at the smallest size that there is.
_LEAST_SHARE = 1 / 8

#: From the record of a photo to the batch that it is in.
BatchOf = Callable[[Photo], Batch]


class Change(Enum):
    """What cutting a photo again would change."""

    NEW = "it is not there yet"
    NONE = "nothing"
    FACTS = "what is known of the same cells, or where the photo lies"
    LOST = "the tiles, which are lost or damaged"
    GROUND = "which ground its cells show"


@dataclass(frozen=True, slots=True)
class Planned:
    """What would become of one photo; `labels` counts the statements about its tiles.

    Where only facts change, `photo` and `tiles` are what they will be: nothing need be cut.
    """

    path: Path
    digest: str
    change: Change
    labels: int = 0
    photo: Photo | None = None
    tiles: tuple[Tile, ...] = ()


class RecutStore(Store):
    """An open store in which photos can be replaced."""

    def statements_of(self, photo_digest: str) -> list[int]:
        """Return the numbers of all statements about the tiles of a photo, withdrawn ones too."""
        rows = self._db.execute(
            "SELECT statement.id FROM statement JOIN tile ON tile.id = tile_id "
            "WHERE photo_digest = ? ORDER BY statement.id",
            (photo_digest,),
        )
        return [number for (number,) in rows]

    def photo_and_batch(self, photo_digest: str) -> tuple[Photo, Batch]:
        """Return a photo and its batch. Raises StoreError where there is none."""
        row = self._db.execute(f"{PHOTOS} WHERE digest = ?", (photo_digest,)).fetchone()
        if row is None:
            raise StoreError("is not in this workspace", where=f"photo {photo_digest[:12]}")
        (batch_id,) = self._db.execute(
            "SELECT batch_id FROM photo WHERE digest = ?", (photo_digest,)
        ).fetchone()
        return photo_from(row), next(batch for batch in self.batches() if batch.id == batch_id)

    def replace_photo(self, batch: Batch, photo: Photo, tiles: Sequence[Tile]) -> None:
        """Put a photo that was cut again into the place of the one that is there.

        Tiles of the same ground keep their numbers and so their labels. Giver and licence
        stay with the photo where `batch` states none. Raises StoreError where labels would
        come to speak of other ground or of another checklist, or the batch is known under
        another giver or licence; nothing is changed then.
        """
        digest = photo.digest
        with self._transaction():
            old, old_batch = self.photo_and_batch(digest)
            said = self.statements_of(digest)
            ids = self._ids_of(digest)
            same = same_ground(old, photo) and ids.keys() == {(t.row, t.col) for t in tiles}
            if said and not same:
                raise _labelled([Planned(Path(photo.path), digest, Change.GROUND, len(said))])
            batch = replace(
                batch,
                giver=batch.giver or old_batch.giver,
                licence=batch.licence or old_batch.licence,
            )
            self._add_batch(batch)
            if said and batch.id != old_batch.id:
                self._carry_checklist(old_batch.id, batch.id, said)
            # Statements point at tiles and tiles at the photo: looked at again once all is there.
            self._db.execute("PRAGMA defer_foreign_keys = ON")
            self._db.execute(
                "DELETE FROM look WHERE tile_id IN (SELECT id FROM tile WHERE photo_digest = ?)",
                (digest,),
            )
            self._db.execute("DELETE FROM tile WHERE photo_digest = ?", (digest,))
            self._db.execute("DELETE FROM photo WHERE digest = ?", (digest,))
            self._insert_photo(batch.id, photo, tiles, ids if same else {})
            self._drop_if_empty(old_batch.id)

    def _ids_of(self, photo_digest: str) -> dict[tuple[int, int], int]:
        rows = self._db.execute(
            "SELECT grid_row, grid_col, id FROM tile WHERE photo_digest = ?", (photo_digest,)
        )
        return {(row, col): number for row, col, number in rows}

    def _carry_checklist(self, old: str, new: str, said: Sequence[int]) -> None:
        """See to it that statements say of absence in their new batch what they said in the old.

        Raises StoreError where they would not.
        """
        newest, loose = self._labels_of(new)
        if not (self._checklist(new) or newest or loose):
            self._db.execute(
                "INSERT INTO checklist SELECT ?, species, after_statement FROM checklist "
                "WHERE batch_id = ?",
                (new, old),
            )
        was, now = self._added_after(old), self._added_after(new)
        if any(_looked_for(was, number) != _looked_for(now, number) for number in said):
            raise StoreError(
                f"has labels that looked for {', '.join(sorted(was)) or 'nothing'}, and those of "
                f"{new!r} for {', '.join(sorted(now)) or 'nothing'}",
                where=f"batch {old}",
                fix="leave the photo where it is: absence would come to mean something else",
            )

    def _added_after(self, batch_id: str) -> dict[str, int]:
        return dict(
            self._db.execute(
                "SELECT species, after_statement FROM checklist WHERE batch_id = ?", (batch_id,)
            )
        )

    def _drop_if_empty(self, batch_id: str) -> None:
        for table in ("photo", "loose_picture"):
            if self._db.execute(
                f"SELECT 1 FROM {table} WHERE batch_id = ? LIMIT 1",
                (batch_id,),
            ).fetchone():
                return
        self._db.execute("DELETE FROM checklist WHERE batch_id = ?", (batch_id,))
        self._db.execute("DELETE FROM batch WHERE id = ?", (batch_id,))


def open_recut_store(workspace: Workspace) -> AbstractContextManager[RecutStore]:
    """Open the store for replacing photos. Raises StoreError as `open_store` does."""
    return open_store_as(RecutStore, workspace)


def same_ground(old: Photo, new: Photo) -> bool:
    """Tell whether two cuts of a photo show the same ground in each cell, pixel for pixel."""
    return (old.view, old.grid, old.tile_px, old.edge, old.limits) == (
        new.view, new.grid, new.tile_px, new.edge, new.limits,
    )  # fmt: skip


def plan_again(
    paths: Iterable[Path],
    profile: CameraProfile,
    workspace: Workspace,
    store: RecutStore,
    batch_of: BatchOf,
) -> Iterable[Planned | WeedsetError]:
    """Yield what cutting each photo again would change, or why it cannot be cut.

    Nothing is written.
    """
    known = {photo.digest: photo for photo in store.photos()}
    batches = store.photos_of_batches()
    for path in paths:
        try:
            opened = open_photo(path, least_share=_LEAST_SHARE)
            photo, cells = plan_photo(opened, profile, workspace, path)
            batch_id = batch_of(photo).id
        except WeedsetError as error:
            yield error
            continue
        old = known.get(photo.digest)
        if old is None:
            yield Planned(path, photo.digest, Change.NEW)
            continue
        tiles = store.tiles(photo.digest)
        labels = len(store.statements_of(photo.digest))
        if not (same_ground(old, photo) and _places(cells) == {(t.row, t.col) for t in tiles}):
            yield Planned(path, photo.digest, Change.GROUND, labels)
        elif not _is_whole(tile_archive(workspace, photo.digest), tiles):
            yield Planned(path, photo.digest, Change.LOST, labels)
        elif (old.profile, batches[photo.digest]) == (profile, batch_id) and _is_there(old):
            yield Planned(path, photo.digest, Change.NONE, labels)
        else:
            photo = replace(photo, quality=old.quality)
            anew = describe_anew(photo, tiles)
            yield Planned(path, photo.digest, Change.FACTS, labels, photo, anew)


def require_unlabelled(planned: Iterable[Planned]) -> None:
    """Raise StoreError where photos with labels would come to show other ground."""
    refused = [item for item in planned if item.change is Change.GROUND and item.labels]
    if refused:
        raise _labelled(refused)


def _labelled(photos: Sequence[Planned]) -> StoreError:
    names = ", ".join(item.path.name for item in photos[:3]) + (", ..." if photos[3:] else "")
    labels = counted(sum(item.labels for item in photos), "label")
    return StoreError(
        f"cut again, {counted(len(photos), 'photo')} ({names}) with {labels} would show other "
        "ground in the cells that were labelled; nothing was changed",
        fix="name only photos without labels; or tile these into a new workspace and label them "
        "there",
    )


def _looked_for(added_after: dict[str, int], statement: int) -> set[str]:
    return {code for code, after in added_after.items() if after < statement}


def _places(cells: CellsInView) -> set[tuple[int, int]]:
    return set(cells.places())


def _is_there(photo: Photo) -> bool:
    """Tell whether a photo still lies where it was cut: folders are moved and renamed."""
    return Path(photo.path).is_file()


def _is_whole(archive: Path, tiles: Sequence[Tile]) -> bool:
    try:
        size = archive.stat().st_size
    except OSError:
        return False
    return size >= max((tile.offset + tile.length for tile in tiles), default=0)
