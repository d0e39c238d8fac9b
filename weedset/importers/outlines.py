"""Labels from marks drawn on photos: outlines of plants, and boxes around them.

Coordinates are those of the upright photo, from its outer edge: 0 is the left or upper
edge and the width or height the opposite one, as COCO has it.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from weedset.cells import cells_of_photo
from weedset.errors import LabelError
from weedset.importers.masks import GROUND, LEAST_SHARE, covered_shares, share_statement
from weedset.records import Origin, Photo, Statement
from weedset.store import TileKey

#: One outline: its corners, (x_px, y_px).
Ring = tuple[tuple[float, float], ...]

#: No mark on a photo lies farther from its edge.
FAR_PX = 1e6

#: What unmarked ground is: bare, or ground of which nothing is said.
Unmarked = Literal["bare", "unsaid"]


@dataclass(frozen=True, slots=True)
class Mark:
    """A plant on a photo, and the rings within which it lies.

    `plant` is what the source calls it, until that is replaced by a code or "unknown".
    `outline` says that the rings follow the plant; otherwise they are a box around it.
    """

    plant: str
    rings: tuple[Ring, ...]
    outline: bool


@dataclass(frozen=True, slots=True)
class MarkedPhoto:
    """The marks on a photo, and its upright size where the source states it."""

    marks: tuple[Mark, ...]
    width_px: int | None
    height_px: int | None


@dataclass(frozen=True, slots=True)
class MarkRule:
    """From which covered share a plant counts, and what unmarked ground is."""

    unmarked: Unmarked
    least_share: float = LEAST_SHARE


def box(plant: str, left: float, top: float, width: float, height: float) -> Mark:
    """Return a box around a plant."""
    right, bottom = left + width, top + height
    return Mark(plant, (((left, top), (right, top), (right, bottom), (left, bottom)),), False)


def mark_statements(
    marks: Sequence[Mark], photo: Photo, rule: MarkRule, annotator: str
) -> Iterator[tuple[TileKey, Statement]]:
    """Yield a statement for each cell of a photo of which its marks say something.

    Outlines count by the covered share, as masks do. A box says where a plant is, not
    which cells it covers: the cell with the middle of the box counts as showing it, and
    in the others that the box touches its presence is doubtful.
    """
    shares: dict[str, NDArray[np.float64]] = {}
    touched: dict[str, NDArray[np.float64]] = {}
    for plant in sorted({mark.plant for mark in marks}):
        of_this = [mark for mark in marks if mark.plant == plant]
        boxes = [mark.rings[0] for mark in of_this if not mark.outline]
        shares[plant] = _shares([r for mark in of_this if mark.outline for r in mark.rings], photo)
        if boxes:
            touched[plant] = _shares(boxes, photo)
            middles = _shares([_pixel_at_middle(ring) for ring in boxes], photo)
            shares[plant] = np.where(middles > 0, 1.0, shares[plant])
    for row, col in cells_of_photo(photo).places():
        cell = {code: float(share[row, col]) for code, share in shares.items()}
        # A share that is there but too small is doubtful: see `share_statement`.
        for code, share in touched.items():
            if share[row, col] > 0 and cell[code] == 0:
                cell[code] = min(rule.least_share / 2, float(share[row, col]))
        if rule.unmarked == "bare" or any(
            share > 0 for code, share in cell.items() if code != GROUND
        ):
            yield (
                (photo.digest, row, col),
                share_statement(cell, rule.least_share, annotator, Origin.OUTLINE),
            )


def _shares(rings: Sequence[Ring], photo: Photo) -> NDArray[np.float64]:
    """Return the share of each cell, (rows, cols), that the rings cover together."""
    mask = np.zeros((photo.height_px, photo.width_px), np.uint8)
    for ring in rings:
        fill(mask, ring)
    return covered_shares(mask, photo).get(1, np.zeros((photo.grid.rows, photo.grid.cols)))


def _pixel_at_middle(ring: Ring) -> Ring:
    x, y = (math.floor((min(side) + max(side)) / 2) for side in zip(*ring, strict=True))
    return ((x, y), (x + 1, y), (x + 1, y + 1), (x, y + 1))


def fill(mask: NDArray[np.uint8], ring: Ring) -> None:
    """Set to 1 the pixels of `mask` (height, width) whose centre is inside a ring.

    Inside is what the ring goes round an odd number of times (even-odd rule). Its edges
    cross each row at the height of the pixels' centres; filling flips at each crossing.
    """
    height, width = mask.shape
    top, bottom = (min(max(math.ceil(f(y for _, y in ring) - 0.5), 0), height) for f in (min, max))
    flips = np.zeros((bottom - top, width + 1), np.uint8)
    for start, end in zip(ring, (*ring[1:], ring[0]), strict=True):
        (x_up, y_up), (x_low, y_low) = sorted((start, end), key=lambda corner: corner[1])
        first, past = (min(max(math.ceil(y - 0.5), 0), height) for y in (y_up, y_low))
        if first == past:
            continue
        rows = np.arange(first, past)
        x = x_up + (rows + 0.5 - y_up) * ((x_low - x_up) / (y_low - y_up))
        flips[rows - top, np.ceil(x - 0.5).clip(0, width).astype(np.intp)] ^= 1
    mask[top:bottom] |= np.bitwise_xor.accumulate(flips, axis=1)[:, :width]


def replace_plants(marked: MarkedPhoto, meanings: Mapping[str, str]) -> list[Mark]:
    """Return the marks of a photo with what their plants' names mean."""
    return [replace(mark, plant=meanings[mark.plant]) for mark in marked.marks]


def name_counts(marked: Mapping[str, MarkedPhoto]) -> dict[str, int]:
    """Return how often each name of a plant occurs, most frequent first."""
    counts = Counter(mark.plant for photo in marked.values() for mark in photo.marks)
    return dict(counts.most_common())


def require_size(marked: MarkedPhoto, photo: Photo) -> None:
    """Raise LabelError where the marks were made on a photo of another size."""
    for stated, actual in (
        (marked.width_px, photo.width_px),
        (marked.height_px, photo.height_px),
    ):
        if stated not in (None, actual):
            raise LabelError(
                f"is {photo.width_px} x {photo.height_px} px when upright, but was marked as "
                f"{marked.width_px} x {marked.height_px} px",
                where=photo.name,
                fix="marks must be made on the upright photo, at its full size",
            )
