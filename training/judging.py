"""What a model did, cell by cell, against what its labels and the policy ask for."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from scipy.stats import beta

from training.metrics import Calls, average_precision, calls_at
from weedset.board.classify import ClassifiedCell
from weedset.board.gate import Gate
from weedset.labelling import targets
from weedset.modelcard import ModelCard
from weedset.records import Action, LabelledTile, Policy, Verdict

#: A labelled cell and what the board made of it.
Pair = tuple[LabelledTile, ClassifiedCell]


class Ought(StrEnum):
    """What a cell's label and the policy ask for."""

    REMOVE = "remove"
    PROTECT = "protect"
    BARE = "bare"


@dataclass(frozen=True, slots=True)
class SpeciesScore:
    """How well one class is told; `treat` is None where the model never treats it."""

    code: str
    average_precision: float | None
    present: Calls
    treat: Calls | None


@dataclass(frozen=True, slots=True)
class GateScore:
    """What a gate skipped, of the labelled cells with and without plants.

    `missed_upper_95` is the one-sided 95 % upper bound on the share of cells with plants that
    it skips (Clopper & Pearson 1934), None without such cells; as with harm, it takes cells
    for independent.
    """

    least_green: float
    with_plant: int
    with_plant_skipped: int
    bare: int
    bare_skipped: int
    missed_upper_95: float | None


@dataclass(frozen=True, slots=True)
class Evaluation:
    """What a model file did on photos that it had not seen, cell by cell.

    `decisions` counts cells by what they ought to get and what they got. `harm_upper_95` is
    the one-sided 95 % upper bound on the share of protected cells that are treated
    (Clopper & Pearson 1934), None without such cells; it takes cells for independent, which
    those of one photo are not, so the true bound lies higher.
    """

    model: str
    model_digest: str
    policy: str
    split: str
    photos: int
    cells: int
    cells_not_told: int
    species: tuple[SpeciesScore, ...]
    decisions: Mapping[Ought, Mapping[Action, int]]
    harm_upper_95: float | None
    gate: GateScore | None = None


def judge(
    pairs: Sequence[Pair],
    card: ModelCard,
    model_digest: str,
    policy: Policy,
    gate: Gate | None = None,
) -> Evaluation:
    """Score decisions and probabilities of cells against their labels, `gate` being in use."""
    decisions = {ought: dict.fromkeys(Action, 0) for ought in Ought}
    not_told = 0
    for labelled, cell in pairs:
        ought = what_ought(labelled, policy)
        if ought is None:
            not_told += 1
        else:
            decisions[ought][cell.decision.action] += 1
    protected = decisions[Ought.PROTECT]
    return Evaluation(
        model=card.name,
        model_digest=model_digest,
        policy=policy.name,
        split=card.split,
        photos=len({labelled.tile.photo_digest for labelled, _ in pairs}),
        cells=len(pairs),
        cells_not_told=not_told,
        species=_species_scores(pairs, card),
        decisions=decisions,
        harm_upper_95=upper_bound(protected[Action.TREAT], sum(protected.values())),
        gate=None if gate is None else gate_score(pairs, gate),
    )


def gate_score(pairs: Sequence[Pair], gate: Gate) -> GateScore:
    """Count what the gate skipped; a cell that may or may not hold a plant counts as neither."""
    plant: list[bool] = []
    bare: list[bool] = []
    for labelled, cell in pairs:
        statement = labelled.statement
        if statement.present or statement.unknown_plant:
            plant.append(cell.skipped)
        elif statement.verdict is Verdict.BARE:
            bare.append(cell.skipped)
    missed = upper_bound(sum(plant), len(plant))
    return GateScore(gate.least_green, len(plant), sum(plant), len(bare), sum(bare), missed)


def what_ought(labelled: LabelledTile, policy: Policy) -> Ought | None:
    """Return what a cell ought to get, None where its label does not tell.

    One plant to protect, or one without a name, protects the whole cell.
    """
    statement = labelled.statement
    if statement.verdict is Verdict.BARE:
        return Ought.BARE
    remove = policy.remove - policy.protect
    if statement.unknown_plant or statement.present - remove:
        return Ought.PROTECT
    # What may be a plant to protect is neither harm nor no harm.
    return Ought.REMOVE if statement.present and not statement.doubtful - remove else None


def upper_bound(harms: int, trials: int, confidence: float = 0.95) -> float | None:
    """Return the one-sided upper bound of Clopper & Pearson on a share; None of no trials."""
    if not trials:
        return None
    return 1.0 if harms == trials else float(beta.ppf(confidence, harms + 1, trials - harms))


def _species_scores(pairs: Sequence[Pair], card: ModelCard) -> tuple[SpeciesScore, ...]:
    truth = np.array([targets(labelled, card.codes) for labelled, _ in pairs], np.int8)
    # Where the model was not asked (too coarse, or skipped by the gate) it has called nothing.
    nothing = (0.0,) * len(card.codes)
    found = np.array([cell.probabilities or nothing for _, cell in pairs], np.float32)
    return tuple(
        SpeciesScore(
            code=item.code,
            average_precision=average_precision(truth[:, i], found[:, i]),
            present=calls_at(truth[:, i], found[:, i], item.present_at),
            treat=None
            if item.treat_at is None
            else calls_at(truth[:, i], found[:, i], item.treat_at),
        )
        for i, item in enumerate(card.classes)
    )
