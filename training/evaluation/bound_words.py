"""What a card's bound on harm says, for people."""

from __future__ import annotations

from weedset.modelcard import HarmBound
from weedset.talk import counted


def bound_words(bound: HarmBound) -> str:
    """Return a bound on harm in a sentence or two, with what it does not say."""
    sites, cells = counted(len(bound.sites), "site"), counted(bound.cells, "protected cell")
    return (
        f"With {bound.confidence:.0%} confidence at most {bound.at_most:.2%} of the protected "
        f"cells of a garden are treated, on average over gardens like the {sites} on which it was "
        f"found ({cells}), under a policy that removes {', '.join(bound.remove) or 'nothing'} and "
        "nothing else. A single garden may fare worse, and of gardens unlike these it says nothing."
    )
