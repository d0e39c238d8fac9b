"""What the page works on: one workspace, opened, with everything known of its tiles."""

from __future__ import annotations

from collections import Counter, OrderedDict
from dataclasses import dataclass
from secrets import token_hex

import numpy as np

from weedset.board.model import BoardModel
from weedset.errors import LabelError
from weedset.fields import Fields
from weedset.labelstore import LabelStore
from weedset.reviewlist import ReviewItem
from weedset.server.background import Background
from weedset.server.index import OPEN, TileIndex
from weedset.server.orders import Places, bare_last, look_alikes, unsure_first, varied_first
from weedset.server.pictures import Pictures
from weedset.server.secondlooks import Doubt, blind_sample, doubts, listed
from weedset.server.suggest import Suggester
from weedset.settings import Workspace
from weedset.taxonomy import SpeciesList

_MOST_QUEUES = 40


@dataclass(frozen=True, slots=True)
class RoomSettings:
    """What a person asked for when opening the page; `review` is a list to look at again.

    `annotator` is "" where the page is to ask who labels.
    """

    workspace: Workspace
    annotator: str
    species: SpeciesList
    model: BoardModel | None = None
    review: tuple[ReviewItem, ...] | None = None


class Room:
    """An opened workspace. Everything but pictures is asked from one thread alone."""

    def __init__(self, settings: RoomSettings, store: LabelStore) -> None:
        self.settings = settings
        self.store = store
        self.species = settings.species
        self._queues: OrderedDict[str, Places] = OrderedDict()
        self.doubts: dict[int, Doubt] = {}
        self._open_index()

    def _open_index(self) -> None:
        workspace = self.settings.workspace
        self.index = TileIndex(self.store)
        self.pictures = Pictures(workspace, self.index)
        self.suggester = Suggester(self.settings.model, self.index) if self.settings.model else None
        self.background = Background(workspace, self.index, self.pictures, self.suggester)
        self.background.start()

    def close(self) -> None:
        """Stop the background work."""
        self.background.stop()

    def refresh(self) -> None:
        """Take in what another program has added to the store meanwhile."""
        if self.store.newest_ids() != self.index.newest:
            self.background.stop()
            self._queues.clear()
            self._open_index()

    def queue(self, name: str) -> Places | None:
        """Return a queue made earlier, None where it is forgotten."""
        return self._queues.get(name)

    def new_queue(self, places: Places) -> str:
        """Keep a queue, which stays as it is while labels are made, and return its name."""
        name = token_hex(8)
        self._queues[name] = places
        while len(self._queues) > _MOST_QUEUES:
            self._queues.popitem(last=False)
        return name

    def ordered(self, batch_id: str, order: str, least_green: float) -> Places:
        """Return the tiles of a batch in an order. Raises LabelError where it cannot be had."""
        index = self.index
        places = index.in_photo_order(batch_id)
        if order == "bare last":
            return bare_last(places, index.green, least_green)
        if order == "photo":
            return places
        if order == "unsure":
            if self.suggester is None:
                raise LabelError(
                    "there is no model that could be unsure",
                    where="order",
                    fix="start with `weedset label --model FILE`, or choose another order",
                )
            return unsure_first(places, self.suggester.doubt())
        open_ones = places[index.state[places] == OPEN]
        sort = varied_first if order == "varied" else look_alikes
        return sort(open_ones, index.features)

    def sample(self, who: str, batch_id: str, count: int) -> Places:
        """Return the blind sample for a second annotator."""
        return blind_sample(self.index, self.store, who, batch_id, count)

    def to_review(self, batch_id: str) -> Places:
        """Return the tiles worth a second look, worst first, and remember why.

        Where a review list was given, those on it and no others.
        """
        review = self.settings.review
        if review is None:
            found = doubts(self.index, self.store, self.suggester, batch_id)
        else:
            found = listed(self.index, self.store, review, batch_id)
        self.doubts = {doubt.place: doubt for doubt in found}
        return np.asarray([doubt.place for doubt in found], np.intp)

    def listed(self) -> dict[str, int] | None:
        """Return by batch how many tiles of the review list wait, None without a list."""
        if self.settings.review is None:
            return None
        waiting = listed(self.index, self.store, self.settings.review, "")
        return dict(Counter(self.index.batch_of(doubt.place).id for doubt in waiting))

    def batch_id(self, fields: Fields) -> str:
        """Read the id of a batch from a request, "" for all batches."""
        return fields.choice("batch", tuple(self.index.batches)) if "batch" in fields else ""
