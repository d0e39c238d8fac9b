"""Taking a contribution in: quarantine, then accepted or refused by a person.

Each step is one line in the journal, written last: until it is there nothing has happened,
and giving the command again goes on from what is there.
"""

from __future__ import annotations

from concurrent.futures import Executor
from datetime import UTC, datetime
from pathlib import Path

from weedset.contribution.batch import Contribution, batch_id
from weedset.digests import copy_whole, file_digest
from weedset.errors import CheckNotPassedError, PoolError, why_unreadable
from weedset.pool.contents import count_features
from weedset.pool.journal import Entry, Event, append, locked, now, read_journal
from weedset.pool.layout import Pool, written_in_vain
from weedset.pool.marks import marks_of
from weedset.pool.selection import select
from weedset.pool.sites import split_of
from weedset.pool.standing import Standing, State, is_open, one_of, standings
from weedset.talk import counted
from weedset.taxonomy import SpeciesList
from weedset.verification.check import Report, check_contribution

_SHOWN = 20


def add(
    pool: Pool,
    archive: Path,
    who: str,
    known: SpeciesList,
    workers: int | None = None,
    executor: Executor | None = None,
) -> Standing:
    """Put a contribution into quarantine and return how it stands; one known already stays.

    The copy is checked, not the original, which someone could change meanwhile; `workers` and
    `executor` are as for `weedset.hands.in_order`.
    Raises CheckNotPassedError where it does not pass, PoolError where it cannot be copied.
    """
    try:
        digest = file_digest(archive)
    except OSError as exc:
        raise PoolError(why_unreadable(exc), where=str(archive)) from exc
    there = standings(read_journal(pool)).get(digest)
    if there is not None:
        return there
    copy = pool.archive(digest)
    _copy(archive, copy, digest)
    today = datetime.now(UTC).date()
    report = check_contribution(copy, known, today, workers, executor, archive.name)
    with locked(pool):
        there = standings(read_journal(pool)).get(digest)
        if there is not None:
            return there
        if not report.passed or report.contribution is None:
            copy.unlink(missing_ok=True)
            raise _not_passed(archive, report)
        facts = _facts(copy, report.contribution)
        append(pool, Entry(Event.ADDED, digest, who, now(), facts=facts))
        return standings(read_journal(pool))[digest]


def accept(
    pool: Pool, name: str, who: str, reason: str = "", executor: Executor | None = None
) -> Standing:
    """Accept a contribution from quarantine; its site gets a split, or keeps the one it has.

    Raises PoolError where it is not there, CheckNotPassedError where it shows the same
    pictures as sites of different splits.
    """
    # long, so before others are kept out
    marks_of(pool, _waiting(pool, name, State.ACCEPTED), executor=executor)
    with locked(pool):
        item = _waiting(pool, name, State.ACCEPTED)
        if item.state is State.WAITING:
            chosen = select(pool, also=item)
            split = split_of(item, chosen.items, chosen.groups)
            facts = {"split": split}
            append(pool, Entry(Event.ACCEPTED, item.digest, who, now(), reason, facts))
        return standings(read_journal(pool))[item.digest]


def refuse(pool: Pool, name: str, who: str, reason: str) -> Standing:
    """Refuse a contribution in quarantine; its archive is removed, the reason kept.

    Raises PoolError where it is not in quarantine.
    """
    with locked(pool):
        item = _waiting(pool, name, State.REFUSED)
        if item.state is State.WAITING:
            append(pool, Entry(Event.REFUSED, item.digest, who, now(), reason))
        remove(pool, item.digest)
        return standings(read_journal(pool))[item.digest]


def remove(pool: Pool, digest: str) -> None:
    """Remove the archive of a contribution that the journal has let go."""
    try:
        pool.archive(digest).unlink(missing_ok=True)
    except OSError as exc:
        raise written_in_vain(pool.archive(digest), exc) from exc


def letter(item: Standing) -> str:
    """Return what to send to the giver of a contribution about its fate."""
    said = {
        State.WAITING: "has arrived and waits for a look",
        State.ACCEPTED: f"was accepted: thank you. {_whither(item)}",
        State.REFUSED: "was not accepted, and has been deleted here",
        State.WITHDRAWN: "was withdrawn, and has been deleted here. It is left out of all "
        "editions from now on",
    }[item.state]
    reason = f"Why: {item.reason}\n" if item.reason else ""
    return f"To {item.giver}: your contribution {item.batch} {said}.\n{reason}"


def _whither(item: Standing) -> str:
    if not item.tiles:
        return "Editions hold tiles alone, so its pictures of unknown scale wait in the pool"
    if not is_open(item):
        return "Because of its licence it goes into the next edition of what is kept apart"
    return "It goes into the next edition"


def _waiting(pool: Pool, name: str, wanted: State) -> Standing:
    """Return a contribution that waits, or that has come to `wanted` already."""
    item = one_of(standings(read_journal(pool)), name)
    if item.state not in (State.WAITING, wanted):
        what = f"is {item.state} since {item.since}, and no longer waits"
        raise PoolError(what, where=item.batch, fix="see `weedset pool journal` for why")
    return item


def _copy(archive: Path, copy: Path, digest: str) -> None:
    try:
        copy_whole(archive, copy)
        if file_digest(copy) != digest:
            copy.unlink()
            fix = "wait until it is written, then add it again"
            raise PoolError("changed while it was copied", where=str(archive), fix=fix)
    except OSError as exc:
        raise written_in_vain(copy, exc) from exc


def _not_passed(archive: Path, report: Report) -> CheckNotPassedError:
    lines = report.lines()
    if len(lines) > _SHOWN:
        lines = [*lines[:_SHOWN], f"and more: {counted(report.count, 'fault')} in all"]
    return CheckNotPassedError(
        "does not pass the check:\n  " + "\n  ".join(lines),
        where=str(archive),
        fix="send this back to the giver: `weedset check` says the same there",
    )


def _facts(copy: Path, whole: Contribution) -> dict[str, object]:
    return {
        "batch": batch_id(whole),
        "site": whole.giving.site,
        "giver": whole.giving.giver,
        "rights_holder": whole.giving.rights_holder,
        "licence": whole.giving.licence,
        "tiles": whole.contents.tiles,
        "counts": count_features(copy),
    }
