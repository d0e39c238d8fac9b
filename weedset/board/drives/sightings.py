"""What one frame shows of plants: where each stands, and what must be kept clear of.

A decision speaks of a cell, a machine that goes on needs the plant in it: the middle of the
green. A plant without green is not found, and so never offered; one that the edge of the frame
cuts waits for a frame that shows all of it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from weedset.board.classify import ClassifiedCell, ClassifiedPhoto
from weedset.board.drives.blobs import Blobs, find_blobs
from weedset.board.ground import Ground
from weedset.board.guards import must_not_be_hurt
from weedset.board.targets import Mounting, off_in_machine_mm, to_machine_mm
from weedset.records import Action

#: Less green than this is a crumb or noise. Common practice, no source.
_LEAST_AREA_MM2 = 25.0

#: One sigma of the middle of a plant straight below the lens: leaves that hide one another.
_MIDDLE_MM = 2.0

#: By what share of its distance from the point below the lens a plant looks displaced, where
#: the profile tells no range of heights: 20 mm under 0.4 m. Common practice, no source.
_RELIEF_SHARE = 0.05


@dataclass(frozen=True, slots=True)
class Sighting:
    """A plant as one frame shows it, in the machine's frame.

    `sigma_mm` is how far off its middle may be by chance, `bias_mm` how far off camera and
    mounting may put it, the same in each frame; both one sigma, None where the profile does
    not tell. `radius_mm` is how far its green reaches. `probabilities` are those of the cell
    that holds most of it. `treat`: that cell's decision, guards included, where it touches no
    cell that is too coarse. `protected`: a cell that it touches holds what must not be hurt, or
    the model's answer is none.
    """

    x_mm: float
    y_mm: float
    sigma_mm: float
    bias_mm: float | None
    radius_mm: float
    probabilities: tuple[float, ...]
    treat: bool
    protected: bool


@dataclass(frozen=True, slots=True)
class KeptClear:
    """Ground that may hold a plant to protect, or one without a name, in the machine's frame.

    A circle; `off_mm` (one sigma) is how far off it may lie.
    """

    x_mm: float
    y_mm: float
    radius_mm: float
    off_mm: float


def sightings(
    ground: Ground, photo: ClassifiedPhoto, mounting: Mounting, relief_share: float | None = None
) -> tuple[Sighting, ...]:
    """Return the plants that a frame shows whole.

    `relief_share` is by what share of their distance from the point below the lens plants may
    look displaced: `weedset.uncertainty.relief_scale_error`.
    """
    by_place = {(cell.row, cell.col): cell for cell in photo.cells}
    seen = np.repeat(np.repeat(ground.seen, ground.cell_px, axis=0), ground.cell_px, axis=1)
    blobs = find_blobs(ground.green & seen)
    cut = set(blobs.label[_edge(seen)].tolist())
    touched = _cells_touched(blobs, ground)
    found = []
    for number, cells in enumerate(touched):
        large = blobs.area[number] * ground.px_mm**2 >= _LEAST_AREA_MM2
        if number in cut or not large or not all(place in by_place for place in cells):
            continue
        held = [by_place[place] for place in cells]
        if held[0].probabilities:
            share = relief_share or _RELIEF_SHARE
            found.append(_sighting(blobs, number, held, ground, photo, mounting, share))
    return tuple(found)


def kept_clear(ground: Ground, photo: ClassifiedPhoto, mounting: Mounting) -> tuple[KeptClear, ...]:
    """Return what a frame shows that must not be hurt, cell by cell, whole or not.

    The green of such a cell, or all of the cell where nothing in it is green.
    """
    found = []
    for cell in photo.cells:
        if must_not_be_hurt(cell, photo.policy):
            rows = slice(cell.row * ground.cell_px, (cell.row + 1) * ground.cell_px)
            cols = slice(cell.col * ground.cell_px, (cell.col + 1) * ground.cell_px)
            at = np.argwhere(ground.green[rows, cols])
            low, high = (at.min(axis=0), at.max(axis=0) + 1) if len(at) else (0, ground.cell_px)
            middle = (np.zeros(2) + low + high) / 2 * ground.px_mm
            corner = (ground.grid.x_min_mm, ground.grid.y_min_mm)
            x_mm = corner[0] + cell.col * ground.grid.cell_mm + float(middle[1])
            y_mm = corner[1] + cell.row * ground.grid.cell_mm + float(middle[0])
            radius_mm = float(np.hypot(*(np.zeros(2) + high - low))) / 2 * ground.px_mm
            off_mm = off_in_machine_mm(cell, mounting)
            off_mm = ground.grid.cell_mm if off_mm is None else off_mm
            found.append(KeptClear(*to_machine_mm(x_mm, y_mm, mounting), radius_mm, off_mm))
    return tuple(found)


def _sighting(
    blobs: Blobs,
    number: int,
    held: list[ClassifiedCell],
    ground: Ground,
    photo: ClassifiedPhoto,
    mounting: Mounting,
    relief_share: float,
) -> Sighting:
    down, right = (blobs.middle[number] + 0.5) * ground.px_mm
    x_mm, y_mm = ground.grid.x_min_mm + float(right), ground.grid.y_min_mm + float(down)
    forward_mm, left_mm = to_machine_mm(x_mm, y_mm, mounting)
    most = held[0]
    return Sighting(
        x_mm=forward_mm,
        y_mm=left_mm,
        sigma_mm=math.hypot(_MIDDLE_MM, relief_share * math.hypot(x_mm, y_mm)),
        bias_mm=off_in_machine_mm(most, mounting),
        radius_mm=float(blobs.reach[number] + 0.5) * ground.px_mm,
        probabilities=most.probabilities,
        treat=most.decision.action is Action.TREAT and not any(it.too_coarse for it in held),
        protected=any(must_not_be_hurt(cell, photo.policy) for cell in held),
    )


def _edge(
    seen: np.ndarray[tuple[int, int], np.dtype[np.bool_]],
) -> np.ndarray[tuple[int, int], np.dtype[np.bool_]]:
    """Return which seen pixels lie two or fewer from what is not seen."""
    inner = np.zeros(seen.shape, bool)
    inner[2:-2, 2:-2] = seen[2:-2, 2:-2]
    for by in (1, 2):
        for axis in (0, 1):
            inner &= np.roll(seen, by, axis) & np.roll(seen, -by, axis)
    return seen & ~inner


def _cells_touched(blobs: Blobs, ground: Ground) -> list[list[tuple[int, int]]]:
    """Return for each blob the (row, col) of the cells it lies in, most of it first."""
    at = np.argwhere(blobs.label >= 0)
    cell = at // ground.cell_px @ np.array([ground.grid.cols, 1])
    number = blobs.label[at[:, 0], at[:, 1]]
    count = ground.grid.rows * ground.grid.cols
    pairs, pixels = np.unique(number * count + cell, return_counts=True)
    touched: list[list[tuple[int, int]]] = [[] for _ in blobs.area]
    for pair in pairs[np.argsort(-pixels, kind="stable")].tolist():
        touched[pair // count].append(divmod(pair % count, ground.grid.cols))
    return touched
