"""Which of many 64-bit hashes are nearly alike, without comparing each with each."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

#: Hashes count as near up to this many differing bits.
RADIUS = 3

_PARTS = RADIUS + 1
_PART_BITS = 64 // _PARTS
_PART_MASK = np.uint64((1 << _PART_BITS) - 1)


def near_pairs(hashes: NDArray[np.uint64]) -> Iterator[NDArray[np.int64]]:
    """Yield arrays (n, 2) of places in `hashes` that differ in at most 3 bits, each pair once.

    Cut into four parts of 16 bits, two such hashes share at least one part (pigeonhole), so
    only those that share a part are compared. A pair is told under the first part it shares.
    """
    for part in range(_PARTS):
        keys = _part(hashes, part)
        order = np.argsort(keys, kind="stable")
        keys = keys[order]
        begin = np.arange(len(keys) - 1)
        step = 1
        while len(begin):
            # Sorted, so whoever has no like `step` places on has none further on either.
            begin = begin[begin + step < len(keys)]
            begin = begin[keys[begin + step] == keys[begin]]
            pairs = np.stack([order[begin], order[begin + step]], axis=1)
            yield _told_first(hashes, pairs, part)
            step += 1


def _told_first(
    hashes: NDArray[np.uint64], pairs: NDArray[np.int64], part: int
) -> NDArray[np.int64]:
    one, other = hashes[pairs[:, 0]], hashes[pairs[:, 1]]
    keep = np.bitwise_count(one ^ other) <= RADIUS
    for earlier in range(part):
        keep &= _part(one, earlier) != _part(other, earlier)
    return np.sort(pairs[keep], axis=1)


def _part(hashes: NDArray[np.uint64], part: int) -> NDArray[np.uint16]:
    return ((hashes >> np.uint64(part * _PART_BITS)) & _PART_MASK).astype(np.uint16)
