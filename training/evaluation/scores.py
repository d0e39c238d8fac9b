"""What a table of outcomes is worth: scores with intervals, as a whole and in parts."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal, get_args

import numpy as np
from sklearn.metrics import roc_auc_score

from training.calibration import Reliability, reliability
from training.evaluation.intervals import Interval, Resampling, Unit
from training.evaluation.outcomes import NO_STAGE, Flags, Outcomes
from training.evaluation.pairs import Ought
from training.metrics import Calls, average_precision, calls_where, upper_bound
from weedset.records import ANY_PLANT, Action

#: By what cells can be told apart. The growth stage is a plant's, the others a photo's.
Aspect = Literal["site", "camera", "stage"]
ASPECTS: tuple[Aspect, ...] = get_args(Aspect)

_NOT_STATED = "not stated"


@dataclass(frozen=True, slots=True)
class Share:
    """`hits` of `cells`, and how sure that share is.

    `upper_95` is the one-sided bound of Clopper & Pearson (1934), which takes cells for
    independent: those of one site are not, so the true one lies higher. It serves where
    there was no hit, of which drawing sites anew makes nothing (`range` None).
    """

    hits: int
    cells: int
    range: Interval | None
    upper_95: float | None

    @property
    def value(self) -> float | None:
        """The share itself; None of no cells."""
        return self.hits / self.cells if self.cells else None


@dataclass(frozen=True, slots=True)
class Ranges:
    """How sure precision and recall are."""

    precision: Interval | None
    recall: Interval | None


@dataclass(frozen=True, slots=True)
class SpeciesScore:
    """How well one class is told; `treat` is None where the model never treats it."""

    code: str
    average_precision: float | None
    present: Calls
    treat: Calls | None
    average_precision_range: Interval | None
    present_ranges: Ranges
    treat_ranges: Ranges | None
    reliability: Reliability | None


@dataclass(frozen=True, slots=True)
class StrangePlants:
    """Cells that hold plants the model cannot name, and no others.

    `found` tells how well they stand apart from plants that it can: the area under the ROC
    curve of P(any plant) * (1 - P(likeliest species)), 0.5 being chance; None where either
    is lacking.
    """

    found: float | None
    treated: Share


@dataclass(frozen=True, slots=True)
class Part:
    """The scores of a part: of one site, of one camera, or of plants at one stage.

    `species` are those that are present in it. `treated` and `harm` are as in Scores.
    """

    by: Aspect
    name: str
    sites: int
    cells: int
    species: tuple[SpeciesScore, ...]
    treated: Share
    harm: Share


@dataclass(frozen=True, slots=True)
class Scores:
    """Scores over `cells`; intervals come from drawing each `unit` anew, None where there is
    but one, and `caution` says what to bear in mind about them.

    `decisions` counts cells by what they ought to get and what they got, `not_told` those
    whose label does not tell what they ought to get. Shares that are treated: `treated` of the
    cells to be treated, `harm` of those to be protected, `crop_harm` of those with a plant that
    the policy names to protect. `weeds` is that of all cells with a plant to remove, the
    `weeds_protected` among them that stand beside a plant to protect and are to be left.
    """

    sites: int
    photos: int
    cells: int
    unit: Unit | None
    caution: str | None
    species: tuple[SpeciesScore, ...]
    decisions: Mapping[Ought, Mapping[Action, int]]
    not_told: int
    treated: Share
    harm: Share
    crop_harm: Share
    weeds: Share
    weeds_protected: int
    strange: StrangePlants | None
    parts: tuple[Part, ...] = ()


def score(outcomes: Outcomes, by: Sequence[Aspect] = ()) -> Scores:
    """Score a table as a whole, and once more for each part `by` the aspects named."""
    drawn = Resampling(outcomes.site, outcomes.photo)
    treated = outcomes.treated
    protected = outcomes.ought == Ought.PROTECT
    return Scores(
        sites=len(np.unique(outcomes.site)),
        photos=len(np.unique(outcomes.photo)),
        cells=len(outcomes),
        unit=drawn.unit,
        caution=drawn.caution,
        species=_species(outcomes, drawn),
        decisions=_decisions(outcomes),
        not_told=int((outcomes.ought == "").sum()),
        treated=_share(treated, outcomes.ought == Ought.REMOVE, drawn),
        harm=_share(treated, protected, drawn),
        crop_harm=_share(treated, outcomes.crop, drawn),
        weeds=_share(treated, outcomes.weed, drawn),
        weeds_protected=int((outcomes.weed & protected).sum()),
        strange=_strange(outcomes, drawn),
        parts=tuple(part for aspect in by for part in _parts(outcomes, aspect)),
    )


def _decisions(outcomes: Outcomes) -> dict[Ought, dict[Action, int]]:
    def count(ought: Ought, action: Action) -> int:
        return int(((outcomes.ought == ought) & (outcomes.action == action)).sum())

    return {ought: {action: count(ought, action) for action in Action} for ought in Ought}


def _share(hits: Flags, among: Flags, drawn: Resampling) -> Share:
    count, of = int((hits & among).sum()), int(among.sum())
    return Share(count, of, drawn.ratio(hits & among, among), upper_bound(count, of))


def _species(outcomes: Outcomes, drawn: Resampling) -> tuple[SpeciesScore, ...]:
    return tuple(_one(outcomes, index, drawn) for index in range(len(outcomes.codes)))


def _one(outcomes: Outcomes, index: int, drawn: Resampling) -> SpeciesScore:
    truth, found = outcomes.truth[:, index], outcomes.found[:, index]
    called, surely = outcomes.called[:, index], outcomes.surely[:, index]
    known = truth >= 0
    treats = bool(surely.any()) or outcomes.treats[index]
    return SpeciesScore(
        code=outcomes.codes[index],
        average_precision=average_precision(truth, found),
        present=calls_where(truth, called),
        treat=calls_where(truth, surely) if treats else None,
        average_precision_range=drawn.average_precision(truth == 1, found, known),
        present_ranges=_ranges(truth == 1, called & known, drawn),
        treat_ranges=_ranges(truth == 1, surely & known, drawn) if treats else None,
        reliability=reliability(truth, found),
    )


def _ranges(truth: Flags, called: Flags, drawn: Resampling) -> Ranges:
    right = truth & called
    return Ranges(drawn.ratio(right, called), drawn.ratio(right, truth))


def _strange(outcomes: Outcomes, drawn: Resampling) -> StrangePlants | None:
    """Judge cells with nameless plants against cells with none but named ones."""
    if not outcomes.strange.any():
        return None
    found = None
    named = [code != ANY_PLANT for code in outcomes.codes]
    familiar = (outcomes.truth[:, named] == 1).any(1)
    if ANY_PLANT in outcomes.codes and familiar.any():
        plant = outcomes.found[:, outcomes.codes.index(ANY_PLANT)]
        nameless = plant * (1 - outcomes.found[:, named].max(1))
        either = familiar | outcomes.strange
        found = float(roc_auc_score(outcomes.strange[either], nameless[either]))
    return StrangePlants(found, _share(outcomes.treated, outcomes.strange, drawn))


def _parts(outcomes: Outcomes, by: Aspect) -> Iterator[Part]:
    if by == "stage":
        stated = np.where(outcomes.truth == 1, outcomes.stage, NO_STAGE - 1)
        for stage in np.unique(stated[stated >= NO_STAGE]):
            name = _NOT_STATED if stage == NO_STAGE else str(stage)
            yield _part(by, name, _at_stage(outcomes, stage), (stated == stage).any(1))
        return
    column = outcomes.site if by == "site" else outcomes.camera
    for name in np.unique(column):
        chosen = np.asarray(column == name)
        some = outcomes.where(chosen)
        yield _part(by, str(name) or _NOT_STATED, some, np.ones(len(some), bool))


def _at_stage(outcomes: Outcomes, stage: int) -> Outcomes:
    """Make nothing known of plants at other stages; absence stays what it is."""
    other = (outcomes.truth == 1) & (outcomes.stage != stage)
    return replace(outcomes, truth=np.where(other, np.int8(-1), outcomes.truth))


def _part(by: Aspect, name: str, outcomes: Outcomes, plants: Flags) -> Part:
    """Score a part; what was treated is counted among its `plants` only."""
    drawn = Resampling(outcomes.site, outcomes.photo)
    shown = [item for item in _species(outcomes, drawn) if item.present.right + item.present.missed]
    return Part(
        by=by,
        name=name,
        sites=len(np.unique(outcomes.site[plants])),
        cells=int(plants.sum()),
        species=tuple(shown),
        treated=_share(outcomes.treated, plants & (outcomes.ought == Ought.REMOVE), drawn),
        harm=_share(outcomes.treated, plants & (outcomes.ought == Ought.PROTECT), drawn),
    )
