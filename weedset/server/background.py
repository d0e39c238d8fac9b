"""Looking at the pixels of all tiles while the person labels: greenness, looks, suggestions."""

from __future__ import annotations

import time
from threading import Event, Thread

import numpy as np
from numpy.typing import NDArray

from weedset.errors import PhotoError, StoreError
from weedset.images import decode_tile
from weedset.labelstore import open_label_store
from weedset.server.index import TileIndex
from weedset.server.looks import excess_green, features, green_share
from weedset.server.pictures import Pictures
from weedset.server.suggest import Suggester
from weedset.settings import Workspace

_CHUNK = 8

#: How long to rest after a chunk, in multiples of the time it took: while someone labels,
#: and while nobody does. Labelling is "now" until so many seconds after a request.
_REST_WHILE_LABELLING = 10.0
_REST = 0.3
_NOW_S = 1.0

Look = tuple[int, float, bytes]


class Background:
    """One thread that looks at every tile once, a few at a time."""

    def __init__(
        self,
        workspace: Workspace,
        index: TileIndex,
        pictures: Pictures,
        suggester: Suggester | None,
    ) -> None:
        self._workspace = workspace
        self._index = index
        self._pictures = pictures
        self._suggester = suggester
        self._stop = Event()
        self._thread = Thread(target=self._run, name="looking at tiles", daemon=True)
        self._last_request = 0.0
        self.failed: str | None = None

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def make_way(self) -> None:
        """Hear that the person has just asked for something."""
        self._last_request = time.monotonic()

    def stop(self) -> None:
        """End soon; what was seen is kept."""
        self._stop.set()
        self._thread.join()

    @property
    def at_work(self) -> bool:
        """Whether there are tiles still to be looked at."""
        return self._thread.is_alive()

    def _run(self) -> None:
        try:
            with open_label_store(self._workspace) as store:
                store.make_light()
                for places in self._chunks():
                    if self._stop.is_set():
                        return
                    begin = time.perf_counter()
                    store.add_looks(self._look_at(places))
                    busy = time.monotonic() - self._last_request < _NOW_S
                    rest = _REST_WHILE_LABELLING if busy else _REST
                    self._stop.wait(rest * (time.perf_counter() - begin))
        except StoreError as error:
            self.failed = str(error)  # labelling goes on without; the page says so

    def _chunks(self) -> list[NDArray[np.intp]]:
        unseen = np.isnan(self._index.green)
        if self._suggester is not None:
            unasked = np.isnan(self._suggester.answers).any(axis=1)
            unseen |= unasked & self._suggester.fits[self._index.photo]
        places = np.flatnonzero(unseen)
        return np.array_split(places, range(_CHUNK, len(places), _CHUNK)) if len(places) else []

    def _look_at(self, places: NDArray[np.intp]) -> list[Look]:
        index = self._index
        seen: list[int] = []
        tiles: list[NDArray[np.uint8]] = []
        looks: list[Look] = []
        for place in places.tolist():
            try:
                tile = decode_tile(self._pictures.tile(place))
            except (StoreError, PhotoError):
                continue  # the page shows it as damaged
            if np.isnan(index.green[place]):
                excess = excess_green(tile)
                blob = features(tile, excess).astype("<f2").tobytes()
                looks.append((int(index.ids[place]), green_share(excess), blob))
                index.take_look(place, *looks[-1][1:])
            if self._suggester is not None and self._suggester.fits[index.photo[place]]:
                seen.append(place)
                tiles.append(tile)
        if self._suggester is not None and seen:
            self._suggester.learn(np.asarray(seen), tiles)
        return looks
