"""What of a pool goes into an edition: of twins one, and nothing that was taken back."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from weedset.pool.journal import read_journal
from weedset.pool.layout import Pool
from weedset.pool.standing import Standing, State, standings
from weedset.pool.twins import Place, find_twins


@dataclass(frozen=True, slots=True)
class Selection:
    """The contributions that count, in the order of arrival, and what of them stays out.

    `twins` show what another tile shows that came first, `taken_back` what someone else
    had given first and then withdrew.
    """

    items: tuple[Standing, ...]
    groups: tuple[tuple[Place, ...], ...]
    twins: frozenset[Place]
    taken_back: frozenset[Place]


def select(pool: Pool, also: Standing | None = None) -> Selection:
    """Return what counts: the accepted and withdrawn contributions, and the one in `also`."""
    counting = (State.ACCEPTED, State.WITHDRAWN)
    found = standings(read_journal(pool)).values()
    items = tuple(
        item
        for item in found
        if item.state in counting or (also is not None and item.digest == also.digest)
    )
    groups = tuple(find_twins(pool, items))
    twins, taken_back = _left_out(items, groups)
    return Selection(items, groups, twins, taken_back)


def _left_out(
    items: Sequence[Standing], groups: Iterable[tuple[Place, ...]]
) -> tuple[frozenset[Place], frozenset[Place]]:
    twins: set[Place] = set()
    taken_back: set[Place] = set()
    for group in groups:
        withdrawn_by: set[str] = set()
        stands = False
        for place in group:
            item = items[place.number]
            if item.state is State.WITHDRAWN:
                withdrawn_by.add(item.giver)
            elif withdrawn_by - {item.giver}:
                taken_back.add(place)
            elif stands:
                twins.add(place)
            else:
                stands = True
    return frozenset(twins), frozenset(taken_back)
