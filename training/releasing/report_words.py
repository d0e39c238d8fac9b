"""What a report says: its headline, its cautions, and what would help most next."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

from training.evaluation.judging import Evaluation
from training.evaluation.pairs import Ought, Pair, what_ought
from training.figures import percent, rounded_down, rounded_up
from weedset.board.decide import never_treated, outside_bound
from weedset.cardwords import bound_words
from weedset.labelling import newest_opinions
from weedset.modelcard import ModelCard
from weedset.records import ANY_PLANT, Action, LabelledTile, Opinion, Policy, Verdict
from weedset.splits import LEAST_SITES
from weedset.talk import counted
from weedset.taxonomy import SpeciesList

#: Fewer labelled cells of a species than this are few; choices of this project, no source.
ENOUGH_CELLS = 100

#: So many sentences of one kind: a list of all is not read.
_MOST_SAID = 4

#: Below so many cells a site's share is chance.
_LEAST_CELLS = 10

Name = Callable[[str], str]


@dataclass(frozen=True, slots=True)
class SiteScore:
    """What a model did at one site: (cells treated, cells) by what they ought to get."""

    site: str
    photos: int
    cells: int
    treated: dict[Ought, tuple[int, int]]


def named_by(known: SpeciesList) -> Name:
    """Return how a species is called in a sentence: by its name, with its code."""

    def name(code: str) -> str:
        if code == ANY_PLANT:
            return "some plant"
        said = known[code].name_en or known[code].scientific_name if code in known else ""
        return f"{said} ({code})" if said else code

    return name


def site_scores(pairs: Sequence[Pair], policy: Policy) -> list[SiteScore]:
    """Return what a model did at each site, by name."""
    scores = []
    for site in sorted({labelled.site for labelled, _ in pairs}):
        here = [(labelled, cell) for labelled, cell in pairs if labelled.site == site]
        treated = {}
        for ought in Ought:
            cells = [cell for labelled, cell in here if what_ought(labelled, policy) is ought]
            hits = sum(cell.decision.action is Action.TREAT for cell in cells)
            treated[ought] = (hits, len(cells))
        photos = len({labelled.tile.photo_digest for labelled, _ in here})
        scores.append(SiteScore(site, photos, len(here), treated))
    return scores


def headline(evaluation: Evaluation) -> str:
    """Return what the model did, in one sentence."""
    remove, protect = (evaluation.decisions[ought] for ought in (Ought.REMOVE, Ought.PROTECT))
    gardens = counted(evaluation.scores.sites, "garden")
    where = (
        f"In {gardens} that it has never seen"
        if evaluation.split != "photo"
        else f"In photos that it has never seen, of {gardens} that it knows"
    )
    treated = (
        f"treated {remove[Action.TREAT]} of {_cells(remove)} with weeds to be treated"
        if sum(remove.values())
        else "had no weed to treat"
    )
    hit = (
        f"{protect[Action.TREAT]} of {_cells(protect)} with plants to protect"
        if sum(protect.values())
        else "nothing is known of plants to protect, since there were none"
    )
    joined = ", and treated " if sum(protect.values()) else "; "
    return f"{where}, the model {treated}{joined}{hit}."


def more_words(evaluation: Evaluation) -> tuple[str, ...]:
    """Return what stands below the headline."""
    bare, harm = evaluation.decisions[Ought.BARE], evaluation.scores.harm
    lines = []
    if harm.range is not None:
        low, high = rounded_down(harm.range.low, 3), rounded_up(harm.range.high, 3)
        unit = evaluation.scores.unit
        few = f"; of so few {unit}s, nor would somewhat more" if evaluation.scores.caution else ""
        lines.append(
            f"That is {percent(harm.value or 0, 1)} of the cells to protect. With other {unit}s of "
            f"the same kind, {percent(low, 1)} to {percent(high, 1)} would be no surprise{few}."
        )
    elif harm.upper_95 is not None:
        lines.append(
            "Of plants to protect on ground like this, fewer than "
            f"{percent(rounded_up(harm.upper_95, 3), 1)} would be treated, with 95\u00a0% "
            "confidence, if cells were independent. Cells of one photo are not, so reckon with "
            "more."
        )
    lines.append(
        f"It treated {bare[Action.TREAT]} of {_cells(bare)} of bare ground. "
        f"{counted(evaluation.scores.not_told, 'cell')} whose label does not tell what to do count "
        "in none of these figures."
    )
    return tuple(lines)


def cautions(card: ModelCard, policy: Policy, evaluation: Evaluation, name: Name) -> list[str]:
    """Return what to beware of, the usual cautions first."""
    lines = [card.caution]
    if card.bound is not None:
        lines.append(bound_words(card.bound))
    if outside := outside_bound(card, policy):
        lines.append(f"Under this policy nothing is treated, since {outside}.")
    if evaluation.split == "photo":
        lines.append(
            "These figures FLATTER the model: it was judged on photos of gardens that it has "
            "learned from. In another garden, or another spring, it will do worse."
        )
    lines.append(
        "All figures are for ground, plants, light and cameras like those of the photos that they "
        "were made on. For anything else nothing is known."
    )
    if never := never_treated(card, policy):
        lines.append(
            f"NEVER treated, though the policy removes it: {', '.join(map(name, never))}. Labels "
            "did not show from where on treating it is safe."
        )
    return lines


def next_steps(
    tiles: Sequence[LabelledTile],
    pairs: Sequence[Pair],
    histories: Iterable[Sequence[Opinion]],
    card: ModelCard,
    policy: Policy,
    name: Name,
) -> tuple[str, ...]:
    """Return what would help most next, in sentences; what bears on harm comes first.

    `tiles` is all that is labelled, `pairs` what the model was judged on, `histories` all
    opinions of each tile.
    """
    return (
        *_hits(pairs, policy, name),
        *_worst_site(site_scores(pairs, policy)),
        *_scarce(tiles, pairs, card, name),
        *_disputed(histories, name),
    )


def _hits(pairs: Sequence[Pair], policy: Policy, name: Name) -> list[str]:
    """Say which plants to protect were taken for which weeds."""
    taken: dict[str, Counter[str]] = {}
    for labelled, cell in pairs:
        if cell.decision.action is Action.TREAT and cell.species:
            for code in labelled.statement.present - (policy.remove - policy.protect):
                taken.setdefault(code, Counter())[cell.species] += 1
    lines = []
    for plant, weeds in sorted(taken.items(), key=lambda item: (-item[1].total(), item[0])):
        ranked = sorted(weeds.items(), key=lambda item: (-item[1], item[0]))
        told = ", ".join(f"{name(weed)} in {count}" for weed, count in ranked)
        lines.append(
            f"{first_upper(name(plant))} was treated in {counted(weeds.total(), 'cell')}, taken "
            f"for {told}: label more cells of both, at the same stages and close together."
        )
    return lines[:_MOST_SAID]


def _worst_site(scores: Sequence[SiteScore]) -> list[str]:
    """Say where most protected cells were treated, and where most weeds were left."""
    lines = []
    if len(scores) < 2:
        return []
    harmed = max(scores, key=lambda score: _share(score.treated[Ought.PROTECT], 0.0))
    hits, cells = harmed.treated[Ought.PROTECT]
    if hits and cells >= _LEAST_CELLS:
        lines.append(
            f"Most harm was done in {harmed.site}: {hits} of {cells} cells to protect were "
            "treated. Label photos of gardens like it: the same crops, soil and light."
        )
    left = min(scores, key=lambda score: _share(score.treated[Ought.REMOVE], 1.0))
    found, weeds = left.treated[Ought.REMOVE]
    if found < weeds and weeds >= _LEAST_CELLS:
        lines.append(
            f"Most weeds were left in {left.site}: {found} of {weeds} cells to be treated were "
            "treated. Look at its photos for what the others lack: other stages, shade, mulch."
        )
    return lines


def _scarce(
    tiles: Sequence[LabelledTile], pairs: Sequence[Pair], card: ModelCard, name: Name
) -> list[str]:
    """Say which species are on too few cells or sites, or are judged on none."""
    judged = {code for labelled, _ in pairs for code in labelled.statement.present}
    species = {code for labelled in tiles for code in labelled.statement.present} | set(card.codes)
    rows = []
    for code in species - {ANY_PLANT}:
        there = [labelled for labelled in tiles if code in labelled.statement.present]
        sites = len({labelled.site for labelled in there})
        if sites >= LEAST_SITES and len(there) >= ENOUGH_CELLS and code in judged:
            continue
        rows.append((sites, len(there), code))
    lines = [
        _scarce_words(name(code), sites, cells, code in judged, code in card.codes)
        for sites, cells, code in sorted(rows)
    ]
    more = len(lines) - _MOST_SAID
    if more > 0:
        lines = [*lines[:_MOST_SAID], f"So it is with {more} more: see the table of species."]
    return lines


def _scarce_words(name: str, sites: int, cells: int, judged: bool, learned: bool) -> str:
    there = f"{first_upper(name)} is on {counted(cells, 'labelled cell')} of "
    there += counted(sites, "site")
    why = [] if learned else ["too few to be learned"]
    if not judged:
        why.append("none of which the model was judged on, so that nothing is known of it")
    ask = (
        f"label it in {counted(LEAST_SITES - sites, 'more garden')} at least"
        if sites < LEAST_SITES
        else f"label {ENOUGH_CELLS} cells at least"
        if cells < ENOUGH_CELLS
        else "hold out a garden that has it"
    )
    return f"{', '.join([there, *why])}: {ask}."


def _disputed(histories: Iterable[Sequence[Opinion]], name: Name) -> list[str]:
    """Say about which species people who labelled the same cells disagree most."""
    both = 0
    disputes: Counter[str] = Counter()
    for history in histories:
        said = [item.statement for item in newest_opinions(history) if item.statement is not None]
        told = [one for one in said if one.verdict is not Verdict.CANNOT_TELL]
        if len({one.annotator for one in told}) < 2:
            continue
        both += 1
        every = frozenset.union(*(one.present for one in told))
        agreed = frozenset.intersection(*(one.present for one in told))
        disputes.update(every - agreed)
    return [
        f"People disagree on {name(code)} in {count} of {counted(both, 'cell')} that several have "
        "labelled: agree on how it looks, then go through these cells again."
        for code, count in sorted(disputes.items(), key=lambda item: (-item[1], item[0]))
    ][:2]


def _share(part: tuple[int, int], otherwise: float) -> float:
    hits, cells = part
    return hits / cells if cells >= _LEAST_CELLS else otherwise


def first_upper(text: str) -> str:
    """Return a sentence as it begins, whatever its first word is."""
    return text[:1].upper() + text[1:]


def _cells(counts: Mapping[Action, int]) -> str:
    return counted(sum(counts.values()), "cell")
