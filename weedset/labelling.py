"""What labels mean: which statements make sense, and what a model may learn from them."""

from __future__ import annotations

from collections.abc import Sequence, Set
from dataclasses import replace

from weedset.records import ANY_PLANT, LabelledTile, Opinion, Origin, Statement, Verdict

#: The annotator of labels for which nobody was named. It means something at home only.
UNNAMED = "me"


def signed(statement: Statement, giver: str) -> Statement:
    """Return a statement as it leaves the workspace: made by the giver where none was named."""
    return replace(statement, annotator=giver) if statement.annotator == UNNAMED else statement


def contradiction(statement: Statement) -> str | None:
    """Return in words what contradicts itself in a statement, or None."""
    plants = statement.present or statement.doubtful or statement.unknown_plant
    if statement.verdict is not Verdict.PLANTS and plants:
        return f"says {statement.verdict} and names a plant"
    if statement.verdict is Verdict.PLANTS and not plants:
        return "says plants and names none"
    both = statement.present & statement.doubtful
    if both:
        return f"says both that {min(both)} is there and that it may be"
    return None


def in_words(statement: Statement) -> str:
    """Return a statement in a few words."""
    if statement.verdict is not Verdict.PLANTS:
        return str(statement.verdict)
    unknown = ["unknown plant"] if statement.unknown_plant else []
    return ", ".join([*sorted(statement.present), *unknown]) or "plants"


def newest_opinions(history: Sequence[Opinion]) -> list[Opinion]:
    """Return what each annotator says now of one tile, oldest first.

    `history` is in order of `id`. What someone decides in a review is apart from what
    they labelled, so that agreement is measured on what people said by themselves. An
    opinion taken back counts no longer, nor do the earlier ones of the same person.
    """
    newest = {(item.annotator, item.origin is Origin.REVIEW): item for item in history}
    said = (item for item in newest.values() if item.statement is not None)
    return sorted(said, key=lambda item: item.id)


def standing_opinion(history: Sequence[Opinion]) -> Opinion | None:
    """Return the opinion that stands: the newest, unless a review has decided."""
    newest = newest_opinions(history)
    decided = [item for item in newest if item.origin is Origin.REVIEW]
    best = decided or newest
    return best[-1] if best else None


def under_checklist(labelled: LabelledTile, looked_for: Sequence[str]) -> Statement:
    """Return the statement as it reads under a checklist that has grown since it was made.

    What was not yet looked for becomes doubtful: neither its presence nor its absence
    counts, as before. Of bare ground nothing changes.
    """
    said = labelled.statement
    if said.verdict is not Verdict.PLANTS:
        return said
    later = frozenset(looked_for) - labelled.looked_for - said.present
    return replace(said, doubtful=said.doubtful | later)


def targets(labelled: LabelledTile, classes: Sequence[str]) -> tuple[int, ...]:
    """Return for each class 1 (present), 0 (absent) or -1 (not known), in order.

    Silence is not absence: a species counts as absent only where the annotators of the
    batch looked for it, and where no plant was left unnamed that could be it.
    """
    said, looked_for = labelled.statement, labelled.looked_for
    return tuple(target(said, looked_for, code) for code in classes)


def target(statement: Statement, looked_for: Set[str], code: str) -> int:
    """Return what a statement made under a checklist says of one class, see `targets`."""
    if statement.verdict is Verdict.CANNOT_TELL:
        return -1
    if code == ANY_PLANT:
        if statement.present or statement.unknown_plant:
            return 1
        return 0 if statement.verdict is Verdict.BARE else -1
    if code in statement.present:
        return 1
    if code in statement.doubtful:
        return -1
    if statement.verdict is Verdict.BARE:
        return 0
    return 0 if code in looked_for and not statement.unknown_plant else -1
