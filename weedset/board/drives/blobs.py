"""Connected green: which pixels belong to one plant, as far as a picture can tell."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from weedset.lens import Floats


@dataclass(frozen=True, eq=False, slots=True)
class Blobs:
    """Patches of green, numbered from 0. Pixels count down and right, middles whole.

    `label` (h, w) is the number of the patch, -1 where there is none; `middle` (n, 2) its
    middle; `area` (n,) in px; `reach` (n,) from the middle to the farthest of its pixels.
    """

    label: NDArray[np.int32]
    middle: Floats
    area: NDArray[np.int64]
    reach: Floats


def find_blobs(green: NDArray[np.bool_], bridge_px: int = 3) -> Blobs:
    """Number the patches of `green` (h, w); gaps of up to 2 * `bridge_px` do not part them.

    Stalks are thin and often red, so the leaves of one plant seldom touch in the picture: 3 px
    of 1.5 mm are as much as a tool reaches that keeps 10 mm of distance.
    """
    label = np.where(green, _labelled(_widened(green, bridge_px)), -1).astype(np.int32)
    used, inverse = np.unique(label[green], return_inverse=True)
    count = len(used)
    label[green] = inverse
    at = np.argwhere(green).astype(np.float64)
    area = np.bincount(inverse, minlength=count)
    sums = [np.bincount(inverse, at[:, axis], minlength=count) for axis in (0, 1)]
    middle = np.stack(sums, axis=-1) / np.maximum(area, 1)[:, None]
    reach = np.zeros(count)
    np.maximum.at(reach, inverse, np.hypot(*(at - middle[inverse]).T))
    return Blobs(label, middle, area, reach)


def _widened(green: NDArray[np.bool_], by_px: int) -> NDArray[np.bool_]:
    wide = green
    for _ in range(by_px):
        for axis in (0, 1):
            grown = wide.copy()
            ahead, behind = [slice(None)] * 2, [slice(None)] * 2
            ahead[axis], behind[axis] = slice(1, None), slice(None, -1)
            grown[tuple(ahead)] |= wide[tuple(behind)]
            grown[tuple(behind)] |= wide[tuple(ahead)]
            wide = grown
    return wide


def _labelled(mask: NDArray[np.bool_]) -> NDArray[np.int32]:
    """Return a number for each patch of 8-connected pixels, (h, w); 0 outside means nothing.

    By runs of each row, joined where they touch a run of the row above (union-find).
    """
    edges = np.diff(np.pad(mask, ((0, 0), (1, 1))).astype(np.int8), axis=1)
    rows, begins = np.nonzero(edges == 1)
    ends = np.nonzero(edges == -1)[1]
    root = list(range(len(rows)))
    runs = list(zip(rows.tolist(), begins.tolist(), ends.tolist(), strict=True))
    above = 0
    for index, (row, begin, end) in enumerate(runs):
        while above < index and (
            runs[above][0] < row - 1 or (runs[above][0] == row - 1 and runs[above][2] < begin)
        ):
            above += 1
        other = above
        while other < index and runs[other][0] == row - 1 and runs[other][1] <= end:
            _join(root, index, other)
            other += 1
    label = np.zeros(mask.shape, dtype=np.int32)
    for index, (row, begin, end) in enumerate(runs):
        label[row, begin:end] = _root(root, index)
    return label


def _join(root: list[int], one: int, other: int) -> None:
    a, b = _root(root, one), _root(root, other)
    root[max(a, b)] = min(a, b)


def _root(root: list[int], index: int) -> int:
    while root[index] != index:
        root[index] = root[root[index]]
        index = root[index]
    return index
