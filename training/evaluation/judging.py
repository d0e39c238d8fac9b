"""What a model did, cell by cell, against what its labels and the policy ask for."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from training.evaluation.outcomes import tabulate
from training.evaluation.pairs import Ought, Pair
from training.evaluation.per_row import Planting, RowForecast, forecast
from training.evaluation.scores import Aspect, Scores, SpeciesScore, score
from training.metrics import upper_bound
from weedset.board.gate import Gate
from weedset.modelcard import ModelCard
from weedset.records import Action, Policy, Verdict


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

    `split` says what was held out from it, "site" or "photo", or "unseen" where it has seen
    nothing of any of these gardens. `row` is what the scores mean on the ground, where it was
    asked how it is planted.
    """

    model: str
    model_digest: str
    policy: str
    split: str
    photos: int
    cells: int
    scores: Scores
    gate: GateScore | None = None
    row: RowForecast | None = None

    @property
    def decisions(self) -> Mapping[Ought, Mapping[Action, int]]:
        """How many cells got what, by what they ought to get."""
        return self.scores.decisions

    @property
    def species(self) -> tuple[SpeciesScore, ...]:
        """How well each class is told, in the order of the card."""
        return self.scores.species


def judge(
    pairs: Sequence[Pair],
    card: ModelCard,
    model_digest: str,
    policy: Policy,
    gate: Gate | None = None,
    cameras: Mapping[str, str] | None = None,
    by: Sequence[Aspect] = (),
    planting: Planting | None = None,
    *,
    unseen: bool = False,
) -> Evaluation:
    """Score decisions and probabilities of cells against their labels, `gate` being in use.

    `cameras` names the camera of each photo, by digest; `by` asks for scores in parts.
    `unseen` says that the model has seen nothing of the gardens, whatever was held out from it.
    """
    scores = score(tabulate(pairs, card, policy, cameras), by)
    return Evaluation(
        model=card.name,
        model_digest=model_digest,
        policy=policy.name,
        split="unseen" if unseen else card.split,
        photos=len({labelled.tile.photo_digest for labelled, _ in pairs}),
        cells=len(pairs),
        scores=scores,
        gate=None if gate is None else gate_score(pairs, gate),
        row=None if planting is None else forecast(scores, planting),
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
