"""Which of many 64-bit hashes are nearly alike, without comparing each with each."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

#: Hashes count as near up to this many differing bits.
RADIUS = 3

#: Five pieces (first bit, bits), of which 3 differing bits leave at least two untouched.
_PIECES = ((0, 13), (13, 13), (26, 13), (39, 13), (52, 12))
_PLACE_BITS = np.uint64(64 - 2 * 13)
_PLACE_MASK = (np.uint64(1) << _PLACE_BITS) - np.uint64(1)


def near_pairs(hashes: NDArray[np.uint64]) -> Iterator[NDArray[np.int64]]:
    """Yield arrays (n, 2) of places in `hashes` that differ in at most 3 bits, each pair once.

    Cut into five pieces, two such hashes share at least two (pigeonhole; the method of Manku,
    Jain and Das Sarma, "Detecting near-duplicates for web crawling", 2007). So for each two
    pieces those that share both, 25 bits or more, are brought together by sorting, and only
    they are compared: of a million hashes each meets a fraction of another one. A pair is
    told under the first two pieces that it shares.
    """
    for one, other in combinations(range(len(_PIECES)), 2):
        words = _sorted_words(hashes, one, other)
        keys = words >> _PLACE_BITS
        begin = np.flatnonzero(keys[1:] == keys[:-1])
        step = 1
        while len(begin):
            yield _told_first(hashes, _place(words[begin]), _place(words[begin + step]), one, other)
            # Sorted, so whoever has no like `step` places on has none further on either.
            step += 1
            begin = begin[begin + step < len(keys)]
            begin = begin[keys[begin + step] == keys[begin]]


def _sorted_words(hashes: NDArray[np.uint64], one: int, other: int) -> NDArray[np.uint64]:
    """Return for each hash a word of two of its pieces and, lowest, its place, sorted.

    Sorting such words is many times as quick as sorting places by what lies there.
    """
    words = _piece(hashes, one)
    words <<= np.uint64(_PIECES[other][1])
    words |= _piece(hashes, other)
    words <<= _PLACE_BITS
    words |= np.arange(len(hashes), dtype=np.uint64)
    words.sort()
    return words


def _told_first(
    hashes: NDArray[np.uint64],
    first: NDArray[np.int64],
    second: NDArray[np.int64],
    one: int,
    other: int,
) -> NDArray[np.int64]:
    differ = hashes[first] ^ hashes[second]
    keep = np.bitwise_count(differ) <= RADIUS
    for piece in range(other):
        if piece != one:
            keep &= _piece(differ, piece) != 0
    return np.stack([first[keep], second[keep]], axis=1)


def _place(words: NDArray[np.uint64]) -> NDArray[np.int64]:
    return (words & _PLACE_MASK).astype(np.int64)


def _piece(hashes: NDArray[np.uint64], piece: int) -> NDArray[np.uint64]:
    first_bit, bits = _PIECES[piece]
    return (hashes >> np.uint64(first_bit)) & np.uint64((1 << bits) - 1)
