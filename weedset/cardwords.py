"""What a model's card says, for people."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from weedset.modelcard import ClassCard, HarmBound, ModelCard
from weedset.records import ANY_PLANT
from weedset.talk import counted
from weedset.taxonomy import Species

#: Of more than so many names a card for people says how many there are besides.
_MOST_NAMES = 8

#: So many digits tell photos apart; the whole digests are for programs.
_DIGEST_DIGITS = 12


def card_lines(card: ModelCard, known: Mapping[str, Species]) -> Iterator[str]:
    """Yield the lines of a card to read; `known` has the names of the species.

    Names in a card are strangers' words: who shows them must see that they steer no terminal.
    """
    yield f"{card.name}, made on {card.made_on} with {card.made_with}"
    yield "Tells, and from which probability on it is treated where the policy removes it:"
    names = [_name(item, known) for item in card.classes]
    wide = max(map(len, names))
    for item, name in zip(card.classes, names, strict=True):
        yield f"  {item.code:6} {name:{wide}}  {_may(item)}"
    yield (
        f"Cells: {card.cell_mm:g} mm of ground, from photos of {card.gsd_min_mm_per_px:.3g} to "
        f"{card.gsd_max_mm_per_px:.3g} mm per pixel"
    )
    yield f"Input: {card.input_px} x {card.input_px} pixels for each cell"
    if card.mmac is not None:
        yield f"Work: {card.mmac:g} million multiply-adds for each cell"
    yield f"Learned from: {card.edition} (edition_digest {card.edition_digest})"
    yield f"Licence of what it learned from: {card.licence or 'not stated'}"
    yield f"Given by: {_some(card.givers) or 'nobody who asked to be named'}"
    yield f"Held out, to judge it by: {_held_out(card)}"
    yield f"Harm: {_harm(card)}"
    yield f"Caution: {card.caution}"


def bound_words(bound: HarmBound) -> str:
    """Return a bound on harm in a sentence or two, with what it does not say."""
    sites, cells = counted(len(bound.sites), "site"), counted(bound.cells, "protected cell")
    return (
        f"With {bound.confidence:.0%} confidence at most {bound.at_most:.2%} of the protected "
        f"cells of a garden are treated, on average over gardens like the {sites} on which it was "
        f"found ({cells}), under a policy that removes {', '.join(bound.remove) or 'nothing'} and "
        "nothing else. A single garden may fare worse, and of gardens unlike these it says nothing."
    )


def treats_none(card: ModelCard) -> bool:
    """Whether no species of a model may ever be treated; any plant at all never may."""
    return all(item.treat_at is None for item in card.classes if item.code != ANY_PLANT)


def why_nothing(card: ModelCard) -> str:
    """Return why no species of a model may ever be treated."""
    if card.bound is None:
        return "its validation photos showed for no species from where on treating it is safe"
    bound = card.bound
    return (
        f"`weedset bound` could not show with {bound.confidence:.0%} confidence, from "
        f"{counted(len(bound.sites), 'site')} with {counted(bound.cells, 'protected cell')}, "
        f"that at most {bound.at_most:.2%} of the protected cells would be treated; it takes "
        "labels of more sites, a larger share or less confidence, and the file that "
        "`weedset export` wrote"
    )


def _name(item: ClassCard, known: Mapping[str, Species]) -> str:
    if item.code == ANY_PLANT:
        return "some plant, whichever"
    return known[item.code].name_en if item.code in known else "no name known here"


def _may(item: ClassCard) -> str:
    if item.code == ANY_PLANT:
        return "never treated for that alone"  # whatever the card says: a policy names species
    return "never treated" if item.treat_at is None else f"treated from {item.treat_at:.2f} on"


def _held_out(card: ModelCard) -> str:
    if not card.held_out:
        return "nothing, so nobody can tell how good it is"
    count = counted(len(card.held_out), card.split)
    if card.split == "photo":
        photos = _some([digest[:_DIGEST_DIGITS] for digest in card.held_out])
        return f"{count} of gardens that it knows, which flatters it: {photos}"
    return f"{count}: {_some(card.held_out)}"


def _harm(card: ModelCard) -> str:
    if treats_none(card):
        return f"it treats nothing: {why_nothing(card)}"
    if card.bound is None:
        return "no bound is known; `weedset bound` finds one, where there are sites enough"
    return bound_words(card.bound)


def _some(names: Sequence[str]) -> str:
    """Return the first of some names, and how many there are besides."""
    more = len(names) - _MOST_NAMES
    return ", ".join(names[:_MOST_NAMES]) + (f" and {more} more (--json)" if more > 0 else "")
