"""Judge a model file, as the board runs it, on photos that it has never seen."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Literal

from training.evaluation.judging import Evaluation, judge
from training.evaluation.pairs import Pair
from training.evaluation.per_row import Planting
from training.evaluation.scores import Aspect
from training.evaluation.tilewise import judged_tiles
from training.sources import Source
from weedset.board.classify import ClassifiedPhoto, classify_photo
from weedset.board.gate import Gate
from weedset.board.model import BoardModel
from weedset.errors import ModelError, PhotoError, TrainingError
from weedset.modelcard import ModelCard
from weedset.photofiles import path_of
from weedset.records import LabelledTile, Photo, Policy
from weedset.store import open_store

#: "test" is what the card says was held out, "all" whatever has labels, for photos of which
#: the model has seen nothing.
Which = Literal["test", "all"]


def evaluate(
    model: BoardModel,
    source: Source,
    policy: Policy,
    which: Which = "test",
    least_green: float | None = None,
    by: Sequence[Aspect] = (),
    planting: Planting | None = None,
) -> Evaluation:
    """Decide on cells as the board would and compare each with its label.

    With `least_green`, a gate skips what is less green than that share, without an audit that
    would flatter it. `by` and `planting` are as for `judge`. Raises as `trial`.
    """
    gate = None if least_green is None else Gate(least_green, audit_every=0)
    pairs = trial(model, source, policy, which, gate)
    return judge(
        pairs,
        model.card,
        model.digest,
        policy,
        gate,
        source.cameras,
        by,
        planting,
        unseen=which == "all",
    )


def trial(
    model: BoardModel,
    source: Source,
    policy: Policy,
    which: Which = "test",
    gate: Gate | None = None,
) -> list[Pair]:
    """Ask the model about labelled cells: of photos in a workspace, of tiles in an edition.

    Returns each cell with what the board made of it. Each photo's scale is the one under which
    it was cut. An edition holds no photos, so there each tile is resized and asked about by
    itself.

    Raises ModelError where the model is for other cells or has learned from the photos,
    TrainingError where no such photo has labels, PhotoError for one that is gone or changed.
    """
    card = model.card
    require_cell_size(card, source)
    chosen = (
        held_out_tiles(source.tiles, card, source.where) if which == "test" else _all(source, card)
    )
    return judged(model, source, chosen, policy, gate)


def judged(
    model: BoardModel,
    source: Source,
    tiles: Sequence[LabelledTile],
    policy: Policy,
    gate: Gate | None = None,
) -> list[Pair]:
    """Return each of some labelled tiles with what the model makes of it; see `trial`."""
    if source.workspace is None:
        return judged_tiles(model, tiles, source.archive_of, policy, gate)
    with open_store(source.workspace) as store:
        photos = store.photos()
    return judged_pairs(model, tiles, photos, policy, gate)


def require_cell_size(card: ModelCard, source: Source) -> None:
    """Raise ModelError where a model is for other cells than those it is to be judged on."""
    if card.cell_mm != source.cell_mm:
        raise ModelError(
            f"is for cells of {card.cell_mm:g} mm, these labels are of {source.cell_mm:g} mm",
            where=card.name,
            fix="name a workspace or an edition of the same cell size",
        )


def judged_pairs(
    model: BoardModel,
    tiles: Sequence[LabelledTile],
    photos: Sequence[Photo],
    policy: Policy,
    gate: Gate | None = None,
) -> list[Pair]:
    """Return each labelled tile with what the board makes of its cell, photo by photo.

    Raises PhotoError for a photo that is gone or changed, or was cut with partial cells.
    """
    labels: dict[str, list[LabelledTile]] = {}
    for labelled in tiles:
        labels.setdefault(labelled.tile.photo_digest, []).append(labelled)
    pairs: list[Pair] = []
    for photo in photos:
        if photo.digest in labels:
            pairs += _pair(labels[photo.digest], photo, _classify(model, photo, policy, gate))
    return pairs


def held_out_tiles(
    tiles: Sequence[LabelledTile], card: ModelCard, where: Path
) -> list[LabelledTile]:
    """Return the tiles to judge a model by: held out, and not spent on its bound on harm.

    Raises TrainingError where there are none.
    """

    held_out = _held_out(tiles, card)
    if not held_out:
        raise TrainingError(
            f"has no labels on any {card.split} that was held out from {card.name}",
            where=str(where),
            fix="name the workspace, or the edition, on which the model was trained; or, if it "
            "has seen nothing of this one, say --all",
        )
    return _unspent(held_out, card, where)


def _held_out(tiles: Sequence[LabelledTile], card: ModelCard) -> list[LabelledTile]:
    def unit(labelled: LabelledTile) -> str:
        return labelled.site if card.split == "site" else labelled.tile.photo_digest

    held_out = frozenset(card.held_out)
    return [labelled for labelled in tiles if unit(labelled) in held_out]


def _all(source: Source, card: ModelCard) -> list[LabelledTile]:
    if source.digest == card.edition_digest:
        fix = "judge it on what was held out, or on other photos"
        raise ModelError("learned from these very labels", where=card.name, fix=fix)
    if _held_out(source.tiles, card):
        raise ModelError(
            f"has seen these gardens: a {card.split} that was held out from it is among them, and "
            "the others it learned from",
            where=card.name,
            fix="leave --all out to judge it on what was held out",
        )
    if not source.tiles:
        raise TrainingError("there are no labels to judge by", fix="label some tiles first")
    return _unspent(source.tiles, card, source.where)


def _unspent(tiles: Sequence[LabelledTile], card: ModelCard, where: Path) -> list[LabelledTile]:
    """Leave out the sites on which the bound on harm was found: its thresholds suit them."""
    spent = () if card.bound is None else card.bound.sites
    chosen = [labelled for labelled in tiles if labelled.site not in spent]
    if not chosen:
        raise TrainingError(
            f"has labels only on sites on which the bound on harm of {card.name} was found "
            f"({', '.join(spent[:9])}): they cannot judge it as well",
            where=str(where),
            fix="keep a site back with `weedset bound --keep SITE`, or judge it on other photos "
            "with --all",
        )
    return chosen


def _classify(
    model: BoardModel, photo: Photo, policy: Policy, gate: Gate | None
) -> ClassifiedPhoto:
    path = path_of(photo)
    classified = classify_photo(model, path, photo.profile, policy, photo.limits, gate)
    if classified.digest != photo.digest:
        fix = "put the photo that was tiled back in its place"
        raise PhotoError("has changed since it was tiled", where=photo.path, fix=fix)
    return classified


def _pair(labels: Sequence[LabelledTile], photo: Photo, classified: ClassifiedPhoto) -> list[Pair]:
    if classified.grid != photo.grid:
        raise PhotoError(
            "was cut with partial cells at its edge, so its cells are not those that a board "
            "decides on",
            where=photo.path,
            fix='tile it in a workspace with edge = "drop"',
        )
    cells = {(cell.row, cell.col): cell for cell in classified.cells}
    return [(labelled, cells[labelled.tile.row, labelled.tile.col]) for labelled in labels]
