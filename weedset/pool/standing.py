"""How the contributions to a pool stand: what follows from its journal."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum

from weedset.errors import PoolError
from weedset.licences import Admission, require_licence
from weedset.pool.journal import Entry, Event

#: Of a digest, to name a contribution by.
_LEAST_LETTERS = 4


class State(StrEnum):
    """How far a contribution has come."""

    WAITING = "waiting"
    ACCEPTED = "accepted"
    REFUSED = "refused"
    WITHDRAWN = "withdrawn"


_LEADS_TO = {
    Event.ACCEPTED: State.ACCEPTED,
    Event.REFUSED: State.REFUSED,
    Event.WITHDRAWN: State.WITHDRAWN,
}


@dataclass(frozen=True, slots=True)
class Standing:
    """A contribution: the SHA-256 of its archive, what it says of itself, and its state.

    `added_at` and `since` are UTC instants; `reason` is that of the last step. `counts` are
    its tiles by species, and by species and stage; `split` that of its site once accepted.
    `corrections` are the rows of labels that count instead of those given, by key of tile;
    `looked_at` are the tiles that the maintainers looked at again.
    """

    digest: str
    batch: str
    site: str
    giver: str
    rights_holder: str
    licence: str
    tiles: int
    added_at: str
    state: State
    since: str
    reason: str = ""
    counts: Mapping[str, int] = field(default_factory=dict)
    split: str = ""
    corrections: Mapping[str, Mapping[str, object]] = field(default_factory=dict)
    looked_at: frozenset[str] = frozenset()


def standings(entries: Iterable[Entry]) -> dict[str, Standing]:
    """Return all contributions by digest, in the order in which they came."""
    found: dict[str, Standing] = {}
    for entry in entries:
        if entry.what is Event.ADDED:
            found.setdefault(entry.digest, _added(entry))
        elif entry.what in _LEADS_TO and entry.digest in found:
            state = _LEADS_TO[entry.what]
            before = found[entry.digest]
            found[entry.digest] = replace(
                before,
                state=state,
                since=entry.at,
                reason=entry.reason,
                split=str(entry.facts.get("split", before.split)),
            )
        elif entry.what is Event.CORRECTED and entry.digest in found:
            found[entry.digest] = _corrected(found[entry.digest], entry)
    return found


def is_open(item: Standing) -> bool:
    """Tell whether the licence of a contribution lets it into open editions."""
    return require_licence(item.licence, item.batch).admission is Admission.OPEN


def one_of(found: Mapping[str, Standing], name: str) -> Standing:
    """Return the contribution whose digest begins with `name`, or whose batch id it is.

    Raises PoolError where there is none, or several.
    """
    fits = [item for item in found.values() if item.batch == name]
    if not fits and len(name) >= _LEAST_LETTERS:
        fits = [item for digest, item in found.items() if digest.startswith(name)]
    if len(fits) == 1:
        return fits[0]
    if fits:
        names = ", ".join(item.digest[:12] for item in fits)
        raise PoolError(f"could be any of {names}", where=name, fix="give more of the digest")
    fix = "see `weedset pool review` for those that are there"
    if len(name) < _LEAST_LETTERS:
        fix += f"; of a digest give {_LEAST_LETTERS} letters at least"
    raise PoolError("is no contribution in this pool", where=name, fix=fix)


def same_batch(found: Mapping[str, Standing], item: Standing) -> list[Standing]:
    """Return the other contributions that hold the same batch and have not been let go."""
    return [
        other
        for other in found.values()
        if other.batch == item.batch
        and other.digest != item.digest
        and other.state in (State.WAITING, State.ACCEPTED)
    ]


def _corrected(before: Standing, entry: Entry) -> Standing:
    """Return how things stand after labels were looked at: None takes back a correction."""
    labels, confirmed = entry.facts.get("labels"), entry.facts.get("confirmed")
    new = labels if isinstance(labels, dict) else {}
    right = confirmed if isinstance(confirmed, list) else []
    rows = {key: row for key, row in {**before.corrections, **new}.items() if row is not None}
    return replace(before, corrections=rows, looked_at=before.looked_at.union(new, right))


def _added(entry: Entry) -> Standing:
    def said(name: str) -> str:
        return str(entry.facts.get(name, ""))

    tiles, counts = entry.facts.get("tiles"), entry.facts.get("counts")
    return Standing(
        digest=entry.digest,
        batch=said("batch"),
        site=said("site"),
        giver=said("giver"),
        rights_holder=said("rights_holder"),
        licence=said("licence"),
        tiles=tiles if isinstance(tiles, int) else 0,
        added_at=entry.at,
        state=State.WAITING,
        since=entry.at,
        counts=counts if isinstance(counts, dict) else {},
    )
