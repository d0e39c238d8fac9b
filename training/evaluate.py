"""Judge a model file, as the board runs it, on photos that it has never seen."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Literal

from training.judging import Evaluation, GateScore, Ought, Pair, judge
from training.metrics import Calls
from training.sources import labels_digest
from weedset.board.classify import ClassifiedPhoto, classify_photo
from weedset.board.gate import Gate
from weedset.board.model import BoardModel
from weedset.errors import ModelError, PhotoError, TrainingError
from weedset.modelcard import ModelCard
from weedset.records import Action, LabelledTile, Photo, Policy
from weedset.settings import Workspace
from weedset.store import open_store


def evaluate(
    model: BoardModel,
    workspace: Workspace,
    policy: Policy,
    which: Literal["test", "all"] = "test",
    least_green: float | None = None,
) -> Evaluation:
    """Classify photos as the board would and compare each cell with its label.

    "test" takes the photos that the model's card says were held out; "all" takes all
    labelled photos, for a workspace of which the model has seen nothing. Each photo's
    scale is the one under which it was cut. With `least_green`, a gate skips what is less
    green than that share, without an audit that would flatter it.

    Raises ModelError where the model is for other cells or has learned from the photos,
    TrainingError where no such photo has labels, PhotoError for one that is gone or changed.
    """
    card = model.card
    if card.cell_mm != workspace.cell_mm:
        raise ModelError(
            f"is for cells of {card.cell_mm:g} mm, the workspace has {workspace.cell_mm:g} mm",
            where=card.name,
            fix="evaluate it in a workspace of the same cell size",
        )
    with open_store(workspace) as store:
        tiles, photos = store.labelled_tiles(), store.photos()
    chosen = _held_out(tiles, card, workspace) if which == "test" else _all(tiles, card)
    labels: dict[str, list[LabelledTile]] = {}
    for labelled in chosen:
        labels.setdefault(labelled.tile.photo_digest, []).append(labelled)
    gate = None if least_green is None else Gate(least_green, audit_every=0)
    pairs: list[Pair] = []
    for photo in photos:
        if photo.digest in labels:
            pairs += _pair(labels[photo.digest], photo, _classify(model, photo, policy, gate))
    return judge(pairs, card, model.digest, policy, gate)


def evaluation_record(evaluation: Evaluation) -> dict[str, object]:
    """Return the evaluation as a record for JSON, precision and recall worked out."""
    return {
        **asdict(evaluation),
        "record": "evaluation",
        "species": [
            {
                "code": score.code,
                "average_precision": score.average_precision,
                "present": _calls_record(score.present),
                "treat": None if score.treat is None else _calls_record(score.treat),
            }
            for score in evaluation.species
        ],
    }


def evaluation_table(evaluation: Evaluation) -> str:
    """Return the evaluation as text for people."""
    lines = [
        f"{evaluation.model}: {evaluation.cells} labelled cells of {evaluation.photos} photos "
        f"held out by {evaluation.split}",
        "",
        "class    cells  avg.prec  present: prec  recall   treat: prec  recall",
    ]
    for score in evaluation.species:
        present, treat = score.present, score.treat
        treating = (
            f"{_share(treat.precision):>12} {_share(treat.recall):>7}"
            if treat
            else f"{'never':>20}"
        )
        lines.append(
            f"{score.code:<8} {present.right + present.missed:>5} "
            f"{_share(score.average_precision):>9} {_share(present.precision):>14} "
            f"{_share(present.recall):>7} {treating}"
        )
    lines += [
        "",
        f"policy: {evaluation.policy}",
        f"{'cells that ought to':<20}  treat  leave unsure",
    ]
    words = {
        Ought.REMOVE: "be treated",
        Ought.PROTECT: "be protected",
        Ought.BARE: "be left (bare)",
    }
    for ought, word in words.items():
        counts = evaluation.decisions[ought]
        lines.append(f"  {word:<18} " + " ".join(f"{counts[action]:>6}" for action in Action))
    if evaluation.cells_not_told:
        lines.append(f"  {evaluation.cells_not_told} cells whose label does not tell are left out")
    if evaluation.harm_upper_95 is not None:
        protected = evaluation.decisions[Ought.PROTECT]
        lines.append(
            f"protected cells treated: {protected[Action.TREAT]} of {sum(protected.values())}; "
            f"with 95 % confidence below {evaluation.harm_upper_95:.2%} on cells like these, "
            "if they were independent (cells of one photo are not: expect more)"
        )
    if evaluation.gate is not None:
        lines += _gate_lines(evaluation.gate)
    if evaluation.split == "photo":
        lines.append(
            "NOTE: held out by photo, not by site. These figures FLATTER the model: in another "
            "garden, or another spring, it will do worse."
        )
    return "\n".join(lines)


def _held_out(
    tiles: Sequence[LabelledTile], card: ModelCard, workspace: Workspace
) -> list[LabelledTile]:
    def unit(labelled: LabelledTile) -> str:
        return labelled.site if card.split == "site" else labelled.tile.photo_digest

    chosen = [labelled for labelled in tiles if unit(labelled) in card.held_out]
    if not chosen:
        raise TrainingError(
            f"has no labels on any {card.split} that was held out from {card.name}",
            where=str(workspace.root),
            fix="name the workspace on which the model was trained with --workspace",
        )
    return chosen


def _all(tiles: Sequence[LabelledTile], card: ModelCard) -> list[LabelledTile]:
    if labels_digest(tiles) == card.edition_digest:
        fix = "judge it on what was held out, or on a workspace of other photos"
        raise ModelError("learned from these very labels", where=card.name, fix=fix)
    if not tiles:
        raise TrainingError("there are no labels to judge by", fix="label some tiles first")
    return list(tiles)


def _classify(
    model: BoardModel, photo: Photo, policy: Policy, gate: Gate | None
) -> ClassifiedPhoto:
    path, limits = Path(photo.path), photo.limits
    classified = classify_photo(model, path, photo.profile, policy, limits, gate)
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


def _gate_lines(gate: GateScore) -> list[str]:
    bound = gate.missed_upper_95
    surely = "" if bound is None else f" (with 95 % confidence below {bound:.2%}, as above)"
    return [
        f"gate at {gate.least_green:g} green: skips {gate.bare_skipped} of {gate.bare} bare cells",
        f"and misses {gate.with_plant_skipped} of {gate.with_plant} cells with plants{surely}",
    ]


def _calls_record(calls: Calls) -> dict[str, object]:
    return {**asdict(calls), "precision": calls.precision, "recall": calls.recall}


def _share(value: float | None) -> str:
    return "-" if value is None else f"{value:.3f}"
