"""Labels of a contribution that were looked at again, and what became of them.

What the reviews in a workspace made by `look_into` decided goes into the journal, all in one
line, so that it is there as a whole or not at all. What was given stays in its archive.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from weedset.contribution.layout import tile_place
from weedset.contribution.rows import GivenLabel, label_row
from weedset.errors import PoolError
from weedset.labelling import standing_opinion
from weedset.labelstore import open_label_store
from weedset.pool.contents import Contents, opened
from weedset.pool.journal import Entry, Event, append, locked, now, read_journal
from weedset.pool.layout import Pool
from weedset.pool.standing import Standing, State, one_of, standings
from weedset.records import Opinion, Origin, Statement
from weedset.settings import Workspace
from weedset.taxonomy import load_species, require_codes

#: (SHA-256 of the photo, row, col)
_Place = tuple[str, int, int]


@dataclass(frozen=True, slots=True)
class Corrected:
    """How many labels are other than before, and how many were found to be right."""

    changed: int
    confirmed: int


def correct(
    pool: Pool, name: str, workspace: Workspace, who: str, reason: str = ""
) -> tuple[Standing, Corrected]:
    """Take over what reviews in a workspace decided about the labels of a contribution.

    What is in the journal already is not written again. A review that was taken back puts
    back what was given. Raises PoolError where the contribution was refused or withdrawn, or
    the workspace shows none of its tiles, UnknownSpeciesError for a plant that neither the
    contribution nor the shipped list knows.
    """
    reviews, shown = _reviews(workspace)
    with locked(pool):
        item = one_of(standings(read_journal(pool)), name)
        if item.state not in (State.WAITING, State.ACCEPTED):
            fix = "nothing is left to correct: its archive was deleted then"
            raise PoolError(f"is {item.state} since {item.since}", where=item.batch, fix=fix)
        with opened(pool, item) as contents:
            if shown.isdisjoint(_place(contents, key) for key, _ in contents.tiles()):
                raise _not_its_workspace(workspace)
            changes, confirmed = _compare(contents, reviews)
        if changes or confirmed:
            facts = {"labels": changes, "confirmed": confirmed}
            append(pool, Entry(Event.CORRECTED, item.digest, who, now(), reason, facts))
        after = standings(read_journal(pool))[item.digest]
    return after, Corrected(len(changes), len(confirmed))


def _reviews(workspace: Workspace) -> tuple[dict[_Place, Opinion | None], frozenset[_Place]]:
    """Return what reviews decided of tiles, None where one was taken back, and all tiles shown."""
    with open_label_store(workspace) as store:
        places: dict[int, _Place] = {row[0]: (row[1], row[2], row[3]) for row in store.tile_rows()}
        reviews: dict[_Place, Opinion | None] = {}
        for tile_id, history in store.histories():
            if any(item.origin is Origin.REVIEW for item in history):
                stands = standing_opinion(history)
                is_decided = stands is not None and stands.origin is Origin.REVIEW
                reviews[places[tile_id]] = stands if is_decided else None
    return reviews, frozenset(places.values())


def _compare(
    contents: Contents, reviews: Mapping[_Place, Opinion | None]
) -> tuple[dict[str, Mapping[str, object] | None], list[str]]:
    """Return the rows that are to count from now on, by key, and the keys of those confirmed.

    None for what counts again as it was given.
    """
    known = frozenset(load_species()) | contents.whole.codes
    changes: dict[str, Mapping[str, object] | None] = {}
    confirmed: list[str] = []
    for given, stands in zip(contents.given(), contents.labels(), strict=True):
        key = given.picture
        place = _place(contents, key)
        if place not in reviews:
            continue
        opinion = reviews[place]
        said = opinion.statement if opinion is not None else None
        if said is None or opinion is None:
            if key in contents.item.corrections:
                changes[key] = None
        elif _content(said) != _content(stands.statement):
            is_given = _content(said) == _content(given.statement)
            changes[key] = None if is_given else _row(key, said, opinion, known)
        elif key not in contents.item.looked_at:
            confirmed.append(key)
    return changes, confirmed


def _not_its_workspace(workspace: Workspace) -> PoolError:
    fix = "make a workspace of it with `weedset pool look`, and review its labels there"
    return PoolError("shows no tile of this contribution", where=str(workspace.root), fix=fix)


def _row(key: str, said: Statement, opinion: Opinion, known: frozenset[str]) -> dict[str, object]:
    require_codes(sorted((said.present | said.doubtful) - known), key, load_species())
    return label_row(GivenLabel(key, said, opinion.made_at[:10]))


def _content(said: Statement) -> tuple[object, ...]:
    return said.verdict, said.present, said.doubtful, said.unknown_plant, said.stages


def _place(contents: Contents, key: str) -> _Place:
    photo, row, col = tile_place(key)
    return contents.photos[photo].digest, row, col
