"""All tiles of a workspace in a few arrays: what the page asks for in milliseconds."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import numpy as np

from weedset.labelling import standing_opinion
from weedset.labelstore import LabelStore
from weedset.records import Batch, Opinion, Photo, Verdict
from weedset.server.looks import FEATURES
from weedset.server.orders import Places

#: How a tile stands: the order is that of `Verdict`, after "not labelled".
OPEN = 0
_STATES = {verdict: number for number, verdict in enumerate(Verdict, start=1)}

#: (species, site, BBCH principal stage or None): what was found where, and how old.
Find = tuple[str, str, int | None]


class TileIndex:
    """The tiles by place (0 to n - 1, in order of id), and how each one stands now.

    `green` is NaN, and `features` NaN, where nobody has looked at the pixels yet.
    """

    def __init__(self, store: LabelStore) -> None:
        self.batches: dict[str, Batch] = {batch.id: batch for batch in store.batches()}
        self.photos: list[Photo] = store.photos()
        batch_of = store.photos_of_batches()
        self.batch_ids: list[str] = [batch_of[photo.digest] for photo in self.photos]
        number = {photo.digest: i for i, photo in enumerate(self.photos)}
        rows = np.fromiter(
            ((row[0], number[row[1]], *row[2:]) for row in store.tile_rows()), np.dtype("6i8")
        )
        self.ids = rows[:, 0]
        self.photo = rows[:, 1].astype(np.int32)
        self.row, self.col = rows[:, 2].astype(np.int16), rows[:, 3].astype(np.int16)
        self.offset, self.length = rows[:, 4], rows[:, 5].astype(np.int32)
        self.state = np.full(len(rows), OPEN, np.int8)
        self.green = np.full(len(rows), np.nan, np.float32)
        self.features = np.full((len(rows), FEATURES), np.nan, np.float16)
        self.finds: Counter[Find] = Counter()
        self._examples: dict[str, dict[int, None]] = {}
        for tile_id, green, features in store.looks():
            self.take_look(self.place(tile_id), green, features)
        for tile_id, history in store.histories():
            self.take_change(self.place(tile_id), [], history)
        self.newest = store.newest_ids()

    def __len__(self) -> int:
        return len(self.ids)

    def place(self, tile_id: int) -> int:
        """Return the place of a tile, -1 where there is none of that id."""
        place = int(np.searchsorted(self.ids, tile_id))
        return place if place < len(self.ids) and self.ids[place] == tile_id else -1

    def photo_of(self, place: int) -> Photo:
        """Return the photo that the tile at `place` was cut from."""
        return self.photos[int(self.photo[place])]

    def batch_of(self, place: int) -> Batch:
        """Return the batch of the tile at `place`."""
        return self.batches[self.batch_ids[int(self.photo[place])]]

    def in_photo_order(self, batch_id: str) -> Places:
        """Return the places of the tiles of a batch ("" for all), photo by photo."""
        photos = [i for i, owner in enumerate(self.batch_ids) if batch_id in ("", owner)]
        wanted = np.flatnonzero(np.isin(self.photo, photos))
        return wanted[np.lexsort((self.col[wanted], self.row[wanted], self.photo[wanted]))]

    def around(self, place: int, radius: int) -> dict[tuple[int, int], int]:
        """Return the places of the tiles within `radius` cells, by (rows, cols) away."""
        same = np.flatnonzero(
            (self.photo == self.photo[place])
            & (np.abs(self.row - self.row[place]) <= radius)
            & (np.abs(self.col - self.col[place]) <= radius)
        )
        return {
            (int(self.row[i] - self.row[place]), int(self.col[i] - self.col[place])): int(i)
            for i in same
        }

    def take_batches(self, store: LabelStore, renamed: dict[str, str]) -> None:
        """Note that batches were described anew, some under a new id."""
        old = {batch_id: batch.site for batch_id, batch in self.batches.items()}
        self.batches = {batch.id: batch for batch in store.batches()}
        self.batch_ids = [renamed.get(owner, owner) for owner in self.batch_ids]
        if any(self.batches[new_id].site != old[old_id] for old_id, new_id in renamed.items()):
            self.finds.clear()
            for tile_id, history in store.histories():
                self.take_change(self.place(tile_id), [], history)

    def take_look(self, place: int, green: float, features: bytes) -> None:
        """Note what a tile looks like; features of another version are left out."""
        if place >= 0 and len(features) == 2 * FEATURES:
            self.green[place] = green
            self.features[place] = np.frombuffer(features, "<f2")

    def take_change(self, place: int, before: Sequence[Opinion], after: Sequence[Opinion]) -> None:
        """Note that the history of a tile went from `before` to `after`."""
        site = self.batch_of(place).site
        for find in _finds(before, site):
            self.finds[find] -= 1
        stands = standing_opinion(after)
        statement = stands.statement if stands else None
        self.state[place] = _STATES[statement.verdict] if statement else OPEN
        for find in _finds(after, site):
            self.finds[find] += 1
        for code in _alone(before):
            self._examples[code].pop(place, None)
        for code in _alone(after):
            self._examples.setdefault(code, {})[place] = None

    def example(self, code: str) -> int | None:
        """Return the tile labelled last where a species grows alone, None where there is none."""
        return next(reversed(self._examples.get(code, {})), None)


def _finds(history: Sequence[Opinion], site: str) -> list[Find]:
    stands = standing_opinion(history)
    if stands is None or stands.statement is None:
        return []
    stages = dict(stands.statement.stages)
    return [(code, site, stages.get(code)) for code in stands.statement.present]


def _alone(history: Sequence[Opinion]) -> frozenset[str]:
    """Return the species that stands as the only plant of a tile, if one does."""
    stands = standing_opinion(history)
    statement = stands.statement if stands else None
    if statement is None or statement.unknown_plant or len(statement.present) != 1:
        return frozenset()
    return statement.present
