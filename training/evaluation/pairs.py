"""Labelled cells with what the board made of them, and what they ought to get."""

from __future__ import annotations

from enum import StrEnum

from weedset.board.classify import ClassifiedCell
from weedset.records import LabelledTile, Policy, Verdict

#: A labelled cell and what the board made of it.
Pair = tuple[LabelledTile, ClassifiedCell]


class Ought(StrEnum):
    """What a cell's label and the policy ask for."""

    REMOVE = "remove"
    PROTECT = "protect"
    BARE = "bare"


#: What is said of cells that ought to get this.
OUGHT_WORDS = {
    Ought.REMOVE: "to be treated",
    Ought.PROTECT: "to be protected",
    Ought.BARE: "bare, to be left",
}


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
