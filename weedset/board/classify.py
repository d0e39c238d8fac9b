"""From a photo file to a decision for each cell of the ground it shows."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from time import perf_counter

import numpy as np

from weedset.board.decide import Rule, scale_fits
from weedset.board.model import BoardModel
from weedset.errors import PhotoError
from weedset.geometry import cell_centre_mm, lay_grid, photo_footprint
from weedset.images import LeastShare, OpenedPhoto, open_photo
from weedset.modelcard import ModelCard
from weedset.preprocess import cut_tiles, ground_picture
from weedset.records import (
    Action,
    CameraProfile,
    Decision,
    ExifFacts,
    GroundGrid,
    Policy,
    Scale,
)
from weedset.scale import photo_scale

#: A reduced cell may have slightly fewer pixels than the model takes: 97 of 100 lose
#: nothing that shows, and a decoding at the next larger size costs twice the time.
_ENOUGH_PX = 0.97

#: Keeps a wrong height in a camera profile from filling the memory of a board.
_MAX_PICTURE_PX = 100_000_000


@dataclass(frozen=True, slots=True)
class ClassifiedCell:
    """A cell with what the model sees in it and what that means.

    (`x_mm`, `y_mm`) is its middle, see `weedset.records` for the frame. `probabilities`
    stand in the order of the card's classes, empty where the model was not asked.
    `species` is the one on which the decision turned, if any.
    """

    row: int
    col: int
    x_mm: float
    y_mm: float
    probabilities: tuple[float, ...]
    decision: Decision
    species: str | None = None


@dataclass(frozen=True, slots=True)
class ClassifiedPhoto:
    """A photo with all its whole cells, row by row. `width_px` x `height_px` is upright."""

    name: str
    digest: str
    width_px: int
    height_px: int
    scale: Scale
    grid: GroundGrid
    cells: tuple[ClassifiedCell, ...]
    timings_ms: Mapping[str, float]
    model_digest: str
    policy: Policy


def least_share(card: ModelCard, profile: CameraProfile, where: str) -> LeastShare:
    """Return how far a photo may be reduced in decoding, for `images.open_photo`."""

    def share(width_px: int, height_px: int, exif: ExifFacts) -> float:
        scale = photo_scale(profile, exif, width_px, height_px, where)
        return _ENOUGH_PX * card.input_px * scale.gsd_mm_per_px / card.cell_mm

    return share


def classify_photo(
    model: BoardModel, path: Path, profile: CameraProfile, policy: Policy
) -> ClassifiedPhoto:
    """Decide on every whole cell of a photo.

    Raises PhotoError for a photo that cannot be read or holds no whole cell, CameraError
    where its scale cannot be known.
    """
    start = perf_counter()
    opened = open_photo(path, least_share=least_share(model.card, profile, str(path)))
    decode_ms = (perf_counter() - start) * 1000
    classified = classify_image(model, opened, profile, policy, str(path))
    return replace(classified, timings_ms={"decode": decode_ms, **classified.timings_ms})


def classify_image(
    model: BoardModel, opened: OpenedPhoto, profile: CameraProfile, policy: Policy, where: str
) -> ClassifiedPhoto:
    """Decide on every whole cell of an opened photo; `where` is its path, for errors.

    Raises as `classify_photo`.
    """
    card = model.card
    scale = photo_scale(profile, opened.exif, opened.width_px, opened.height_px, where)
    grid = _grid(card, scale, opened, where)
    timings_ms: dict[str, float] = {}
    if misfit := scale_fits(card, scale):
        cells = _left_alone(grid, misfit)
    else:
        cells = _asked(model, opened, scale, grid, policy, timings_ms)
    return ClassifiedPhoto(
        name=Path(where).name,
        digest=opened.digest,
        width_px=opened.width_px,
        height_px=opened.height_px,
        scale=scale,
        grid=grid,
        cells=cells,
        timings_ms=timings_ms,
        model_digest=model.digest,
        policy=policy,
    )


def _grid(card: ModelCard, scale: Scale, opened: OpenedPhoto, where: str) -> GroundGrid:
    ground = photo_footprint(opened.width_px, opened.height_px, scale.gsd_mm_per_px)
    grid = lay_grid(ground, card.cell_mm, "drop")
    count = grid.rows * grid.cols
    seen = f"{ground.x_max_mm - ground.x_min_mm:.0f} x {ground.y_max_mm - ground.y_min_mm:.0f} mm"
    fix = "check the height and the lens in the camera profile"
    if not count:
        what = f"shows {seen} of ground: not one whole cell of {card.cell_mm:g} mm"
        raise PhotoError(what, where=where, fix=fix)
    if count * card.input_px**2 > _MAX_PICTURE_PX:
        raise PhotoError(f"shows {seen} of ground: {count} cells, too many", where=where, fix=fix)
    return grid


def _left_alone(grid: GroundGrid, reason: str) -> tuple[ClassifiedCell, ...]:
    decision = Decision(Action.LEAVE, reason)
    return tuple(
        ClassifiedCell(row, col, *cell_centre_mm(grid, row, col), (), decision)
        for row in range(grid.rows)
        for col in range(grid.cols)
    )


def _asked(
    model: BoardModel,
    opened: OpenedPhoto,
    scale: Scale,
    grid: GroundGrid,
    policy: Policy,
    timings_ms: dict[str, float],
) -> tuple[ClassifiedCell, ...]:
    side = model.card.input_px
    marks = [perf_counter()]
    gsd = scale.gsd_mm_per_px * opened.width_px / opened.image.width
    picture = ground_picture(opened.image, gsd, grid, side)
    tiles = np.ascontiguousarray(cut_tiles(picture, side)).reshape(-1, side, side, 3)
    marks.append(perf_counter())
    probabilities = model.probabilities(tiles)
    marks.append(perf_counter())
    rule = Rule(model.card, policy)
    cells = []
    for index, row in enumerate(probabilities.tolist()):
        at = divmod(index, grid.cols)
        decision, species = rule.weigh(row)
        cells.append(ClassifiedCell(*at, *cell_centre_mm(grid, *at), tuple(row), decision, species))
    marks.append(perf_counter())
    names = ("resample", "classify", "decide")
    for name, begin, end in zip(names, marks, marks[1:], strict=False):
        timings_ms[name] = (end - begin) * 1000
    return tuple(cells)
