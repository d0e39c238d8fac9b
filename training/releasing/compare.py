"""A new model against the one in use: the same cells, and none that either learned from."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from training.evaluation.evaluate import judged, require_cell_size
from training.evaluation.intervals import Interval, Resampling
from training.evaluation.pairs import Ought, Pair, what_ought
from training.figures import rounded_down, rounded_up
from training.metrics import average_precision
from training.paired import Discord, discord
from training.sources import Source
from weedset.board.classify import ClassifiedCell
from weedset.board.model import BoardModel
from weedset.errors import ModelError, TrainingError
from weedset.labelling import target
from weedset.modelcard import ModelCard
from weedset.records import ANY_PLANT, Action, LabelledTile, Policy
from weedset.splits import LEAST_SITES

#: What is less likely than this by luck alone counts as worse; common practice.
_LUCK = 0.05

#: So many sites or photos are named: a list of all is not read.
_MOST_NAMED = 5


@dataclass(frozen=True, slots=True)
class SpeciesChange:
    """How much better or worse the new model tells a species.

    `new` and `old` are average precisions, `range` the 95 % interval of their difference; None
    where cells or sites are too few. `treated` compares which cells with this species are
    treated; None where the policy removes it.
    """

    code: str
    cells_with: int
    units_with: int
    new: float | None
    old: float | None
    range: Interval | None
    treated: Discord | None


@dataclass(frozen=True, slots=True)
class Comparison:
    """A new model against an old one, on cells that neither has learned from.

    `unit` is what was resampled: "site", or "photo" of fewer than three sites. `lost` are
    species that only the old model tells, `gained` those that only the new one does.
    `treated` compares which cells are treated, by what they ought to get.
    """

    new: str
    new_digest: str
    old: str
    old_digest: str
    policy: str
    unit: Literal["site", "photo"]
    sites: int
    photos: int
    cells: int
    species: tuple[SpeciesChange, ...]
    lost: tuple[str, ...]
    gained: tuple[str, ...]
    lost_protected: tuple[str, ...]
    treated: Mapping[Ought, Discord]


def compare(
    new: BoardModel,
    old: BoardModel,
    source: Source,
    policy: Policy,
    unseen: bool = False,
    of_new: Sequence[Pair] = (),
) -> Comparison:
    """Ask both models about the same cells and compare them cell by cell.

    Only cells count that both cards say were held out, and on which no bound on harm was found,
    in a workspace photo by photo, in an edition tile by tile. With `unseen`, a model of whose
    held-out sites or photos there is none is taken never to have seen any of this. `of_new` is
    what the new model made of all that was held out from it, where it was asked already.

    Raises ModelError where cells or species have nothing in common, TrainingError where
    no labelled photo is new to both, PhotoError for a photo that is gone or changed.
    """
    if new.digest == old.digest:
        fix = "name the model in use and the one that is to follow it"
        raise ModelError("is the same file as the other", where=new.card.name, fix=fix)
    for model in (new, old):
        require_cell_size(model.card, source)
    if not set(_species(new.card)) & set(_species(old.card)):
        tells = [", ".join(_species(model.card)) for model in (new, old)]
        raise ModelError(
            f"has no species in common with {old.card.name}: one tells {tells[0]}, the other "
            f"{tells[1]}",
            where=new.card.name,
            fix="judge each by itself with `weedset evaluate`",
        )
    chosen = unseen_by_both(source, (new.card, old.card), unseen)
    common = set(chosen)
    known = [pair for pair in of_new if pair[0] in common]
    return compare_pairs(
        known or judged(new, source, chosen, policy),
        judged(old, source, chosen, policy),
        (new, old),
        policy,
    )


def unseen_by_both(
    source: Source, cards: tuple[ModelCard, ModelCard], unseen: bool
) -> list[LabelledTile]:
    """Return the tiles that no model has learned from, or had its bound on harm from."""
    chosen = list(source.tiles)
    for which, card in zip(("new", "old"), cards, strict=True):
        held_out = frozenset(card.held_out)
        if any(_unit(tile, card.split) in held_out for tile in source.tiles):
            chosen = [labelled for labelled in chosen if _unit(labelled, card.split) in held_out]
        elif not unseen or card.edition_digest == source.digest:
            raise TrainingError(
                f"has no labels on any {card.split} that was held out from the {which} model, "
                f"{card.name}",
                where=str(source.where),
                fix="name the workspace, or the edition, it was trained on; or, if it has seen "
                "nothing of this one, say --unseen",
            )
    held_out_from_both = bool(chosen)
    spent = {site for card in cards if card.bound is not None for site in card.bound.sites}
    chosen = [labelled for labelled in chosen if labelled.site not in spent]
    if held_out_from_both and not chosen:
        raise TrainingError(
            "has labels held out from both models only on sites on which a bound on harm was "
            f"found ({', '.join(sorted(spent)[:_MOST_NAMED])}): they cannot judge as well",
            where=str(source.where),
            fix="keep a site back with `weedset bound --keep SITE`, or name gardens that neither "
            "model has seen, with --unseen",
        )
    if not chosen:
        raise TrainingError(
            "has no label that was held out from both models",
            where=str(source.where),
            fix="train the new model again and hold out (--held-out) what was held out from the "
            f"old one: {', '.join(name[:40] for name in cards[-1].held_out[:_MOST_NAMED])}",
        )
    return chosen


def compare_pairs(
    new: Sequence[Pair], old: Sequence[Pair], models: tuple[BoardModel, BoardModel], policy: Policy
) -> Comparison:
    """Compare what two models made of the same labelled cells, in the same order."""
    tiles = [labelled for labelled, _ in new]
    sites = {labelled.site for labelled in tiles}
    unit: Literal["site", "photo"] = "site" if len(sites) >= LEAST_SITES else "photo"
    both = _Both(models, (new, old), [_unit(labelled, unit) for labelled in tiles])
    removed = policy.remove - policy.protect
    ours, theirs = (_species(model.card) for model in models)
    lost = tuple(code for code in theirs if code not in ours)
    oughts = [what_ought(labelled, policy) for labelled in tiles]
    return Comparison(
        new=models[0].card.name,
        new_digest=models[0].digest,
        old=models[1].card.name,
        old_digest=models[1].digest,
        policy=policy.name,
        unit=unit,
        sites=len(sites),
        photos=len({labelled.tile.photo_digest for labelled in tiles}),
        cells=len(tiles),
        species=tuple(_change(both, code, code in removed) for code in ours if code in theirs),
        lost=lost,
        gained=tuple(code for code in ours if code not in theirs),
        lost_protected=tuple(code for code in lost if code not in removed),
        treated={ought: both.treated([it is ought for it in oughts]) for ought in Ought},
    )


def worse_points(found: Comparison) -> tuple[str, ...]:
    """Return in words where the new model is worse for what is protected, beyond the noise."""
    reasons = [
        f"no longer tells {code}, which the policy protects" for code in found.lost_protected
    ]
    for change in found.species:
        if change.treated is None:
            continue
        if change.range is not None and change.range.high < 0:
            reasons.append(
                f"tells {change.code}, which the policy protects, worse than the old one: average "
                f"precision {change.new:.3f} against {change.old:.3f}, the change surely below "
                f"zero ({range_words(change.range)})"
            )
        reasons += _more_hits(change.treated, f"cells with {change.code}")
    return tuple(reasons + _more_hits(found.treated[Ought.PROTECT], "cells to be protected"))


def range_words(found: Interval) -> str:
    """Return an interval in words, rounded outwards."""
    return f"{rounded_down(found.low, 3):+.3f} to {rounded_up(found.high, 3):+.3f}"


@dataclass(frozen=True, slots=True)
class _Both:
    """Two models, what each made of the same cells, and the site or photo of each cell."""

    models: tuple[BoardModel, BoardModel]
    pairs: tuple[Sequence[Pair], Sequence[Pair]]
    units: Sequence[str]

    def treated(self, chosen: Sequence[bool]) -> Discord:
        """Compare which of the chosen cells each model treats."""
        new, old = (
            [
                cell.decision.action is Action.TREAT
                for (_, cell), use in zip(pairs, chosen, strict=True)
                if use
            ]
            for pairs in self.pairs
        )
        return discord(new, old)


def _change(both: _Both, code: str, removed: bool) -> SpeciesChange:
    tiles = [labelled for labelled, _ in both.pairs[0]]
    truth = np.array([target(it.statement, it.looked_for, code) for it in tiles], np.int8)
    new, old = (
        np.array([_probability(cell, model.card, code) for _, cell in pairs], np.float32)
        for model, pairs in zip(both.models, both.pairs, strict=True)
    )
    shown = (truth == 1).tolist()
    units_with = len({unit for unit, is_in in zip(both.units, shown, strict=True) if is_in})
    drawn = Resampling(np.array(both.units), np.array(both.units))
    change = drawn.average_precision_change(truth == 1, new, old, truth >= 0)
    return SpeciesChange(
        code=code,
        cells_with=sum(shown),
        units_with=units_with,
        new=average_precision(truth, new),
        old=average_precision(truth, old),
        range=change if units_with > 1 else None,  # of one, nothing tells
        treated=None if removed else both.treated(shown),
    )


def _probability(cell: ClassifiedCell, card: ModelCard, code: str) -> float:
    # Where the model was not asked (too coarse for it) it has called nothing.
    return cell.probabilities[card.codes.index(code)] if cell.probabilities else 0.0


def _unit(labelled: LabelledTile, unit: str) -> str:
    return labelled.site if unit == "site" else labelled.tile.photo_digest


def _species(card: ModelCard) -> list[str]:
    return [code for code in card.codes if code != ANY_PLANT]


def _more_hits(treated: Discord, cells: str) -> list[str]:
    if treated.p_new_does_more >= _LUCK:
        return []
    return [
        f"treats more {cells}: {treated.only_new} that the old one spares, and spares "
        f"{treated.only_old} that the old one treats (p = {treated.p_new_does_more:.3g})"
    ]
