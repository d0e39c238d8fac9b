"""What the board makes of tiles without their photo, as an edition has them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from training.evaluation.pairs import Pair
from weedset.board.classify import ClassifiedCell
from weedset.board.decide import Rule, scale_fits
from weedset.board.gate import Gate, green_shares, skipped
from weedset.board.model import BoardModel
from weedset.images import decode_tile
from weedset.preprocess import resize_tile
from weedset.records import Action, Decision, LabelledTile, Policy
from weedset.tilearchive import read_tile

#: Tiles held at a time.
_SOME = 512


def judged_tiles(
    model: BoardModel,
    tiles: Sequence[LabelledTile],
    archive_of: Callable[[LabelledTile], Path],
    policy: Policy,
    gate: Gate | None = None,
) -> list[Pair]:
    """Return each labelled tile with what the board's model and rule make of it.

    Cells of a photo are cut at once on a board, and a tile was stored as a JPEG: probabilities
    differ a little from those of its photo. Raises PhotoError for a tile that cannot be read.
    """
    rule, side = Rule(model.card, policy), model.card.input_px
    pairs: list[Pair] = []
    for start in range(0, len(tiles), _SOME):
        some = tiles[start : start + _SOME]
        pixels = np.stack(
            [resize_tile(decode_tile(read_tile(archive_of(t), t.tile)), side) for t in some]
        )
        skip = _skipped(pixels, some, gate)
        answers = model.probabilities(pixels)
        pairs += [
            (tile, _decided(model, rule, tile, None if skip[i] else tuple(answers[i].tolist())))
            for i, tile in enumerate(some)
        ]
    return pairs


def _skipped(
    pixels: NDArray[np.uint8], tiles: Sequence[LabelledTile], gate: Gate | None
) -> NDArray[np.bool_]:
    if gate is None:
        return np.zeros(len(tiles), bool)
    count, side = pixels.shape[:2]
    shares = green_shares(pixels.reshape(count * side, side, 3), side).ravel()
    return skipped(shares, gate, tiles[0].tile.photo_digest)


def _decided(
    model: BoardModel, rule: Rule, labelled: LabelledTile, answer: tuple[float, ...] | None
) -> ClassifiedCell:
    tile = labelled.tile
    at = tile.footprint
    place = (tile.row, tile.col, (at.x_min_mm + at.x_max_mm) / 2, (at.y_min_mm + at.y_max_mm) / 2)
    if misfit := scale_fits(model.card, tile.gsd_mm_per_px):
        return ClassifiedCell(*place, (), Decision(Action.LEAVE, misfit))
    if answer is None:
        bare = Decision(Action.LEAVE, "no green to speak of")
        return ClassifiedCell(*place, (), bare, skipped=True)
    decision, species = rule.weigh(answer)
    return ClassifiedCell(*place, answer, decision, species)
