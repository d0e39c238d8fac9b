"""Tiles that show the same picture, within and between contributions, and whose they are.

Twins are alike to the byte, or nearly: hashes that differ in at most 3 bits, confirmed by
the correlation of the small pictures. Of twins the one that came first stands for all, and
its giver keeps the credit.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from weedset.labelling import target
from weedset.pool.contents import opened
from weedset.pool.layout import Pool
from weedset.pool.marks import Marks, marks_of
from weedset.pool.nearby import near_pairs
from weedset.pool.standing import Standing, State
from weedset.records import Statement

#: The least correlation of the small pictures. Measured on real tiles, see docs/pool.md.
LEAST_CORRELATION = 0.9

#: Pairs whose small pictures are in memory at a time: some 130 MB.
_MOST_PAIRS = 1 << 16


@dataclass(frozen=True, slots=True, order=True)
class Place:
    """A tile of the pool: the place of its contribution in the order of arrival, its key."""

    number: int
    key: str


@dataclass(frozen=True, slots=True)
class Conflict:
    """Twins whose labels say different things of a species."""

    first: Place
    later: Place
    code: str
    first_says: str
    later_says: str


def find_twins(pool: Pool, items: Sequence[Standing]) -> list[tuple[Place, ...]]:
    """Return the groups of twins among `items`, which are in the order of arrival.

    Each group is in order, so that the first is the one that stands for all.
    """
    marks = [marks_of(pool, item) for item in items]
    if not marks:
        return []
    numbers = np.repeat(np.arange(len(marks)), [len(part) for part in marks])
    digest, hashes, flat, keys = (
        np.concatenate([part[name] for part in marks]) for name in ("digest", "hash", "flat", "key")
    )
    small = _Small(marks)
    groups = _Groups()
    exact = _exact_pairs(digest)
    groups.join_all(exact)
    # Those that are alike to the byte have one hash: the first speaks for all.
    speaks = ~flat
    speaks[exact[:, 1]] = False
    patterned = np.flatnonzero(speaks)
    for pairs in near_pairs(hashes[patterned]):
        for begin in range(0, len(pairs), _MOST_PAIRS):
            places = patterned[pairs[begin : begin + _MOST_PAIRS]]
            groups.join_all(places[small.correlation(places) >= LEAST_CORRELATION])
    return [
        tuple(sorted(Place(int(numbers[i]), keys[i].decode()) for i in group))
        for group in groups.several()
    ]


def find_conflicts(
    pool: Pool, items: Sequence[Standing], groups: Iterable[tuple[Place, ...]]
) -> list[Conflict]:
    """Return where labels of twins contradict each other: one says there, one says not there.

    Contributions of which the archive is gone have no say.
    """
    groups = list(groups)
    wanted: dict[int, set[str]] = {}
    for place in (place for group in groups for place in group):
        wanted.setdefault(place.number, set()).add(place.key)
    said: dict[Place, tuple[Statement, frozenset[str]]] = {}
    for number, item in enumerate(items):
        keys = wanted.get(number, set())
        if not keys or item.state is State.WITHDRAWN:
            continue
        with opened(pool, item) as contents:
            looked_for = frozenset(contents.whole.looked_for)
            for label in contents.labels(keys):
                said[Place(number, label.picture)] = (label.statement, looked_for)
    conflicts = []
    for group in groups:
        speaking = [place for place in group if place in said]
        for place in speaking[1:]:
            conflicts += _conflicts(speaking[0], place, said)
    return conflicts


def _conflicts(
    first: Place, later: Place, said: dict[Place, tuple[Statement, frozenset[str]]]
) -> list[Conflict]:
    words = {1: "there", 0: "not there"}
    codes = sorted(said[first][0].present | said[later][0].present)
    found = []
    for code in codes:
        one, other = target(*said[first], code), target(*said[later], code)
        if one != other and -1 not in (one, other):
            found.append(Conflict(first, later, code, words[one], words[other]))
    return found


def _exact_pairs(digests: NDArray[np.void]) -> NDArray[np.int64]:
    """Return pairs (n, 2) of places that chain up all that have the same digest."""
    order = np.argsort(digests.view("S32"), kind="stable")
    same = digests[order[1:]] == digests[order[:-1]]
    return np.stack([order[:-1][same], order[1:][same]], axis=1)


class _Small:
    """The small pictures of many contributions, read from the disk as they are asked for."""

    def __init__(self, marks: Sequence[Marks]) -> None:
        self._marks = marks
        self._ends = np.cumsum([len(part) for part in marks])

    def correlation(self, pairs: NDArray[np.int64]) -> NDArray[np.float32]:
        """Return the correlation of each pair's grey values, (n,)."""
        if not len(pairs):
            return np.zeros(0, np.float32)
        one, other = self._normed(pairs[:, 0]), self._normed(pairs[:, 1])
        result: NDArray[np.float32] = (one * other).sum(axis=1)
        return result

    def _normed(self, places: NDArray[np.int64]) -> NDArray[np.float32]:
        parts = np.searchsorted(self._ends, places, "right")
        rows = np.empty((len(places), self._marks[0]["small"][0].size), np.float32)
        for part in np.unique(parts):
            begin = self._ends[part] - len(self._marks[part])
            here = parts == part
            taken = self._marks[part]["small"][places[here] - begin]
            rows[here] = taken.reshape(len(taken), -1)
        rows -= rows.mean(axis=1, keepdims=True)
        rows /= np.linalg.norm(rows, axis=1, keepdims=True) + 1e-9
        return rows


class _Groups:
    """Things that are joined pair by pair, so that what is joined to the same is together."""

    def __init__(self) -> None:
        self._up: dict[int, int] = {}  # of things that are joined to an earlier one

    def join_all(self, pairs: NDArray[np.int64]) -> None:
        for one, other in pairs.tolist():
            low, high = sorted((self._top(one), self._top(other)))
            if low != high:
                self._up[high] = low

    def several(self) -> list[list[int]]:
        """Return the groups of two and more."""
        found: dict[int, list[int]] = {}
        for i in sorted(self._up):
            top = self._top(i)
            found.setdefault(top, [top]).append(i)
        return [found[top] for top in sorted(found)]

    def _top(self, i: int) -> int:
        up = self._up
        while i in up:
            if up[i] in up:
                up[i] = up[up[i]]
            i = up[i]
        return i
