"""Taking back what was given: out of the next edition, and what it touches till then."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

from weedset.board.model import open_model
from weedset.digests import write_whole
from weedset.errors import ModelError, PoolError
from weedset.pool.editions import Edition, editions
from weedset.pool.intake import remove
from weedset.pool.journal import Entry, Event, append, locked, now, read_journal
from weedset.pool.layout import Pool, written_in_vain
from weedset.pool.marks import marks_of
from weedset.pool.standing import Standing, State, one_of, standings

NOTICE = "NOTICE.md"


def withdraw(pool: Pool, name: str, who: str, reason: str) -> tuple[Standing, list[Edition]]:
    """Take a contribution back; return it and the editions that hold tiles of it.

    Its archive is deleted. The marks of its tiles stay, so that the same pictures do not
    come in again through someone else. Raises PoolError where it was refused before.
    """
    with locked(pool):
        item = one_of(standings(read_journal(pool)), name)
        if item.state is State.REFUSED:
            fix = "nothing is left to do: its archive was deleted then"
            raise PoolError(f"was refused on {item.since[:10]}", where=item.batch, fix=fix)
        if item.state is not State.WITHDRAWN:
            marks_of(pool, item)
            append(pool, Entry(Event.WITHDRAWN, item.digest, who, now(), reason))
        remove(pool, item.digest)
        entries = read_journal(pool)
        try:
            write_whole(pool.editions / NOTICE, _notice(entries))
        except OSError as exc:
            raise written_in_vain(pool.editions / NOTICE, exc) from exc
    held = [edition for edition in editions(entries) if item.digest in edition.contributions]
    return standings(entries)[item.digest], held


def withdrawn_from(entries: Sequence[Entry]) -> Iterator[tuple[Edition, int]]:
    """Yield each edition with the number of its contributions that were withdrawn since."""
    gone = {d for d, item in standings(entries).items() if item.state is State.WITHDRAWN}
    for edition in editions(entries):
        yield edition, len(gone.intersection(edition.contributions))


def models_from(folder: Path, held: Sequence[Edition]) -> Iterator[tuple[Path, Edition]]:
    """Yield the model files under `folder` that say they learned from one of the editions.

    Files that are no weedset models are passed over.
    """
    by_digest = {edition.digest: edition for edition in held}
    for path in sorted(folder.rglob("*.onnx")):
        try:
            card = open_model(path, threads=1).card
        except ModelError:
            continue
        if card.edition_digest in by_digest:
            yield path, by_digest[card.edition_digest]


def _notice(entries: Sequence[Entry]) -> str:
    lines = [
        f"- Edition {edition.number} (sha256 {edition.digest}) holds material of {count} "
        "contributions that was withdrawn since. Use a later edition; do not pass this one on.\n"
        for edition, count in withdrawn_from(entries)
        if count
    ]
    return "# Editions to use no longer\n\n" + ("".join(lines) or "None.\n")
