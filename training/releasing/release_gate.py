"""What speaks against releasing a model: asked in full, so that all of it is told at once."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from training.evaluation.evaluate import held_out_tiles, judged, require_cell_size
from training.evaluation.judging import Evaluation, judge
from training.evaluation.pairs import Ought, Pair
from training.evaluation.scores import ASPECTS
from training.export import require_agreement
from training.quantize import Agreement
from training.releasing.compare import Comparison, compare, worse_points
from training.releasing.release_files import require_same
from training.runs import Run, read_run
from training.sources import Source
from weedset.board.decide import treats_nothing
from weedset.board.model import BoardModel
from weedset.errors import CheckNotPassedError, LicenceError, TrainingError
from weedset.licences import Licence, effective_licence
from weedset.modelcard import ModelCard
from weedset.records import LabelledTile, Policy


@dataclass(frozen=True, slots=True)
class Judged:
    """A model that may be released, with all that was asked of it.

    `comparison` is None for a first release, which has nothing to be compared with. `idle`
    says why it treats nothing under the policy; None where it may treat.
    """

    model: BoardModel
    run: Run
    licence: Licence
    agreement: Agreement
    evaluation: Evaluation
    comparison: Comparison | None
    idle: str | None


def judge_release(
    model: BoardModel,
    model_path: Path,
    run_dir: Path,
    source: Source,
    policy: Policy,
    against: BoardModel | None,
    first: bool,
    unseen: bool = False,
    idle: bool = False,
) -> Judged:
    """Ask all that must hold of a release. `first` says that there is no model in use yet,
    `unseen` is as for `compare`, `idle` that the model is meant to treat nothing.

    Raises CheckNotPassedError with every reason against it; ModelError where the model is
    not of the run, and whatever evaluating and comparing raise where they cannot be done.
    """
    run = read_run(run_dir)
    require_same(model.card, run.card)
    reasons: list[str] = []
    licence = _licence(model.card, reasons)
    agreed = _agreement(model_path, model.card, run_dir, source, reasons)
    why_idle = _idle(model.card, policy, idle, reasons)
    pairs = _pairs(model, run, source, policy, reasons)
    evaluation = _evaluation(pairs, model, policy, source, reasons)
    comparison = None
    if against is not None:
        comparison = compare(model, against, source, policy, unseen, pairs)
        reasons += [f"it {reason}" for reason in worse_points(comparison)]
    elif not first:
        reasons.append(
            "nothing says that it is no worse than the model in use: name that with --against, "
            "or say --first where there is none"
        )
    if reasons or licence is None or agreed is None or evaluation is None:
        raise CheckNotPassedError(
            "is not released:" + "".join(f"\n  - {reason}" for reason in reasons),
            where=str(model_path),
            fix="mend what is said above, or keep the model that is in use",
        )
    return Judged(model, run, licence, agreed, evaluation, comparison, why_idle)


def _licence(card: ModelCard, reasons: list[str]) -> Licence | None:
    """Return what a model must be released under, on the strictest reading."""
    try:
        return effective_licence(card.licence.split(" AND "), apart=True)
    except LicenceError as error:
        reasons.append(f"the licences do not go together: {error}")
        return None


def _agreement(
    model_path: Path, card: ModelCard, run_dir: Path, source: Source, reasons: list[str]
) -> Agreement | None:
    try:
        return require_agreement(model_path, card, run_dir, source)
    except CheckNotPassedError as error:
        reasons.append(error.what)
        return None


def _idle(card: ModelCard, policy: Policy, meant: bool, reasons: list[str]) -> str | None:
    """Return why a model treats nothing; whoever takes it must be of the same opinion."""
    why = treats_nothing(card, policy)
    if why and not meant:
        reasons.append(
            f"it treats nothing under this policy, since {why} (say --treats-nothing if that is "
            "meant)"
        )
    if meant and not why:
        reasons.append("--treats-nothing says that it treats nothing, and it may treat")
    return why


def _pairs(
    model: BoardModel, run: Run, source: Source, policy: Policy, reasons: list[str]
) -> list[Pair]:
    """Ask the model about all that was held out from it."""
    require_cell_size(model.card, source)
    try:
        chosen = held_out_tiles(source.tiles, model.card, source.where)
    except TrainingError as error:
        reasons.append(f"it cannot be evaluated: {error}")
        return []
    reasons += _not_held_out(chosen, model.card, run)
    return judged(model, source, chosen, policy)


def _evaluation(
    pairs: list[Pair], model: BoardModel, policy: Policy, source: Source, reasons: list[str]
) -> Evaluation | None:
    if not pairs:
        return None
    evaluation = judge(pairs, model.card, model.digest, policy, None, source.cameras, ASPECTS)
    if not sum(evaluation.decisions[Ought.PROTECT].values()):
        reasons.append("no held-out cell shows a plant to protect, so its harm is not known")
    return evaluation


def _not_held_out(chosen: list[LabelledTile], card: ModelCard, run: Run) -> list[str]:
    """Return what is amiss with the photos to judge by: some left out, or learned from."""
    photos = {labelled.tile.photo_digest for labelled in chosen}
    there = {labelled.site for labelled in chosen} if card.split == "site" else photos
    spent = () if card.bound is None else card.bound.sites
    reasons = [
        f"the evaluation lacks the held-out {card.split} {name[:40]}"
        for name in card.held_out
        if name not in there and name not in spent
    ]

    if learned := photos & {*run.train, *run.validation}:
        reasons.append(f"the run has learned from {len(learned)} of the photos to judge it by")
    return reasons
