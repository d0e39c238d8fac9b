"""From a photo file to a decision for each cell of the ground it shows."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from time import perf_counter

import numpy as np
from numpy.typing import NDArray

from weedset.board.decide import Rule, scale_fits
from weedset.board.gate import Gate, green_shares, skipped
from weedset.board.keepout import gap_mm, needed_mm
from weedset.board.model import BoardModel
from weedset.cells import CellsInView, cells_in_view, share_needed
from weedset.errors import PhotoError
from weedset.geometry import cell_centre_mm
from weedset.images import LeastShare, OpenedPhoto, open_photo
from weedset.lens import Floats
from weedset.modelcard import ModelCard
from weedset.preprocess import cut_tiles, ground_picture
from weedset.records import (
    Action,
    CameraProfile,
    CellLimits,
    Decision,
    ExifFacts,
    GroundGrid,
    Policy,
    Scale,
    View,
)
from weedset.scale import photo_scale, photo_view
from weedset.uncertainty import position_uncertainty_mm

#: Keeps a wrong height in a camera profile from filling the memory of a board.
_MAX_PICTURE_PX = 100_000_000

_LIMITS = CellLimits()


@dataclass(frozen=True, slots=True)
class ClassifiedCell:
    """A cell with what the model sees in it and what that means.

    (`x_mm`, `y_mm`) is its middle, see `weedset.records` for the frame. `probabilities`
    stand in the order of the card's classes, empty where the model was not asked.
    `species` is the one on which the decision turned, if any. `uncertainty_mm` (one sigma)
    is how far off the middle may lie; None where the profile does not tell. `green` is the
    share of it that is green, None where no gate was asked, which `skipped` it or did not; what
    it skipped has probabilities where the model was asked all the same, see `_looked_beside`.
    """

    row: int
    col: int
    x_mm: float
    y_mm: float
    probabilities: tuple[float, ...]
    decision: Decision
    species: str | None = None
    uncertainty_mm: float | None = None
    green: float | None = None
    skipped: bool = False

    @property
    def too_coarse(self) -> bool:
        """Whether the model was not asked since it learned from finer photos alone."""
        return not self.probabilities and not self.skipped


@dataclass(frozen=True, slots=True)
class ClassifiedPhoto:
    """A photo with its whole cells, row by row. `width_px` x `height_px` is upright.

    `dropped` counts by reason the cells that are too oblique, or cut by the photo's edge,
    where the camera is tilted or bends lines. `fault` is why nothing in it may be acted on.
    """

    name: str
    digest: str
    width_px: int
    height_px: int
    scale: Scale
    view: View
    grid: GroundGrid
    cells: tuple[ClassifiedCell, ...]
    dropped: tuple[tuple[str, int], ...]
    timings_ms: Mapping[str, float]
    model_digest: str
    policy: Policy
    gate: Gate | None = None
    fault: str | None = None


def least_share(
    card: ModelCard, profile: CameraProfile, where: str, limits: CellLimits = _LIMITS
) -> LeastShare:
    """Return how far a photo may be reduced in decoding, for `images.open_photo`."""

    def share(width_px: int, height_px: int, exif: ExifFacts) -> float:
        cells = _cells(card, photo_view(profile, exif, width_px, height_px, where), limits, where)
        return share_needed(cells, card.input_px)

    return share


def classify_photo(
    model: BoardModel,
    path: Path,
    profile: CameraProfile,
    policy: Policy,
    limits: CellLimits = _LIMITS,
    gate: Gate | None = None,
) -> ClassifiedPhoto:
    """Decide on every whole cell of a photo that is seen well enough for `limits`.

    With a `gate`, the model is not asked about bare ground.
    Raises PhotoError for a photo that cannot be read or holds no whole cell, CameraError
    where its scale cannot be known.
    """
    start = perf_counter()
    opened = open_photo(path, least_share=least_share(model.card, profile, str(path), limits))
    decode_ms = (perf_counter() - start) * 1000
    classified = classify_image(model, opened, profile, policy, str(path), limits, gate)
    return replace(classified, timings_ms={"decode": decode_ms, **classified.timings_ms})


def classify_image(
    model: BoardModel,
    opened: OpenedPhoto,
    profile: CameraProfile,
    policy: Policy,
    where: str,
    limits: CellLimits = _LIMITS,
    gate: Gate | None = None,
    keep_out_mm: float | None = None,
) -> ClassifiedPhoto:
    """Decide on every whole cell of an opened photo; `where` is its path, for errors.

    What a `gate` skips is looked at all the same where a plant in it would be nearer than
    `keep_out_mm`, and what positions may be off, to what is to be treated.
    Raises as `classify_photo`.
    """
    card = model.card
    asked = (profile, opened.exif, opened.width_px, opened.height_px, where)
    scale, view = photo_scale(*asked), photo_view(*asked)
    shown = _cells(card, view, limits, where)
    off_mm = position_uncertainty_mm(shown, profile, scale)
    timings_ms: dict[str, float] = {}
    misfit = scale_fits(card, scale.gsd_mm_per_px)
    if misfit is not None:
        cells = _left_alone(shown, misfit)
    else:
        reach = None if keep_out_mm is None else needed_mm(keep_out_mm, off_mm, card.cell_mm)
        cells = _asked(model, opened, shown, Rule(card, policy), gate, reach, timings_ms)
    return ClassifiedPhoto(
        name=Path(where).name,
        digest=opened.digest,
        width_px=opened.width_px,
        height_px=opened.height_px,
        scale=scale,
        view=view,
        grid=shown.grid,
        cells=tuple(replace(cell, uncertainty_mm=_known(off_mm, cell)) for cell in cells),
        dropped=shown.dropped,
        timings_ms=timings_ms,
        model_digest=model.digest,
        policy=policy,
        gate=gate,
        fault=misfit,
    )


def _known(off_mm: Floats, cell: ClassifiedCell) -> float | None:
    value = float(off_mm[cell.row, cell.col])
    return None if math.isnan(value) else value


def _cells(card: ModelCard, view: View, limits: CellLimits, where: str) -> CellsInView:
    cells = cells_in_view(view, card.cell_mm, "drop", limits, where)
    count = cells.grid.rows * cells.grid.cols
    if count * card.input_px**2 > _MAX_PICTURE_PX:
        fix = "check the height and the lens in the camera profile"
        raise PhotoError(f"shows {count} cells of ground, too many", where=where, fix=fix)
    return cells


def _left_alone(shown: CellsInView, reason: str) -> tuple[ClassifiedCell, ...]:
    decision = Decision(Action.LEAVE, reason)
    return tuple(
        ClassifiedCell(*place, *cell_centre_mm(shown.grid, *place), (), decision)
        for place in shown.places()
    )


def _asked(
    model: BoardModel,
    opened: OpenedPhoto,
    shown: CellsInView,
    rule: Rule,
    gate: Gate | None,
    reach_mm: Floats | None,
    timings_ms: dict[str, float],
) -> tuple[ClassifiedCell, ...]:
    card = model.card
    side = card.input_px
    # A tilted camera sees its far cells more coarsely than its middle.
    misfits = [scale_fits(card, float(shown.gsd_mm_per_px[at])) for at in shown.places()]
    marks = [perf_counter()]
    picture = ground_picture(opened.image, shown, side)
    tiles = cut_tiles(picture, side)
    marks.append(perf_counter())
    green: list[float] | None = None
    asked = shown.kept.copy()
    asked[shown.kept] = [misfit is None for misfit in misfits]
    if gate is not None:
        shares = green_shares(picture, side)[shown.kept]
        green = shares.tolist()
        asked[shown.kept] &= ~skipped(shares, gate, opened.digest)
    marks.append(perf_counter())
    answers = iter(model.probabilities(np.ascontiguousarray(tiles[asked])).tolist())
    marks.append(perf_counter())
    cells = []
    for index, at in enumerate(shown.places()):
        row = next(answers) if asked[at] else None
        cell = _decided(shown, at, misfits[index], row, rule)
        cells.append(cell if green is None else replace(cell, green=green[index]))
    if gate is not None and reach_mm is not None:
        cells = _looked_beside(model, tiles, cells, rule, reach_mm)
    marks.append(perf_counter())
    names = ("resample", "gate", "classify", "decide")
    for name, begin, end in zip(names, marks, marks[1:], strict=False):
        if name != "gate" or gate is not None:
            timings_ms[name] = (end - begin) * 1000
    return tuple(cells)


def _looked_beside(
    model: BoardModel,
    tiles: NDArray[np.uint8],
    cells: list[ClassifiedCell],
    rule: Rule,
    reach_mm: Floats,
) -> list[ClassifiedCell]:
    """Ask of skipped cells beside what is to be treated: a crop with red leaves is not green.

    What is found there to treat is left as the gate left it, and asks for no more.
    """
    treated = [cell for cell in cells if cell.decision.action is Action.TREAT]
    unasked = [index for index, cell in enumerate(cells) if cell.skipped]
    if not treated or not unasked:
        return cells
    places = [(cells[index].row, cells[index].col) for index in unasked]
    needed = np.array([reach_mm[place] for place in places])
    middles = np.array([(cells[index].x_mm, cells[index].y_mm) for index in unasked])
    gaps = [gap_mm(middles, (it.x_mm, it.y_mm), model.card.cell_mm) for it in treated]
    near = np.flatnonzero((np.array(gaps) < needed).any(axis=0)).tolist()
    answers = model.probabilities(np.array([tiles[places[at]] for at in near], np.uint8))
    looked = list(cells)
    for at, row in zip(near, answers.tolist(), strict=True):
        decision, species = rule.weigh(row)
        if decision.action is not Action.TREAT:
            cell = cells[unasked[at]]
            looked[unasked[at]] = replace(
                cell, probabilities=tuple(row), decision=decision, species=species
            )
    return looked


def _decided(
    shown: CellsInView,
    at: tuple[int, int],
    misfit: str | None,
    probabilities: Sequence[float] | None,
    rule: Rule,
) -> ClassifiedCell:
    """Decide on one cell; without a misfit and probabilities, the gate has skipped it."""
    place = (*at, *cell_centre_mm(shown.grid, *at))
    if misfit is not None:
        return ClassifiedCell(*place, (), Decision(Action.LEAVE, misfit))
    if probabilities is None:
        bare = Decision(Action.LEAVE, "no green to speak of")
        return ClassifiedCell(*place, (), bare, skipped=True)
    decision, species = rule.weigh(probabilities)
    return ClassifiedCell(*place, tuple(probabilities), decision, species)
