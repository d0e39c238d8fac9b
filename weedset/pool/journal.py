"""The journal of a pool: who did what, when. Lines are only ever added.

A line counts once it is there as a whole, its line feed included: a line that a power cut
tore is no line, and is cut off before the next one is written. Each line carries the
SHA-256 of the one before, so that a changed or missing line is found.
"""

from __future__ import annotations

import fcntl
import json
import os
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from enum import StrEnum

from weedset.digests import bytes_digest, sync_folder
from weedset.errors import PoolError, WeedsetError
from weedset.fields import Fields, parse_json
from weedset.pool.layout import Pool, written_in_vain

_WAIT_S = 30.0
_POLL_S = 0.05


class Event(StrEnum):
    """What can happen in a pool."""

    ADDED = "added"
    ACCEPTED = "accepted"
    REFUSED = "refused"
    WITHDRAWN = "withdrawn"
    CORRECTED = "corrected"
    FROZEN = "frozen"


@dataclass(frozen=True, slots=True)
class Entry:
    """One line: at `at` (UTC), `who` did `what` to the contribution or edition `digest`.

    `facts` is what is known of it by name; `reason` is in the words of `who`.
    """

    what: Event
    digest: str
    who: str
    at: str
    reason: str = ""
    facts: Mapping[str, object] = field(default_factory=dict)


def now() -> str:
    """Return the present instant in UTC, to the second."""
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


@contextmanager
def locked(pool: Pool, wait_s: float = _WAIT_S) -> Iterator[None]:
    """Hold the pool for writing. Raises PoolError where someone else holds it for too long.

    The system lets go of it when the process ends, however it ends.
    """
    try:
        fd = os.open(pool.lock, os.O_RDWR | os.O_CREAT, 0o644)
    except OSError as exc:
        raise written_in_vain(pool.lock, exc) from exc
    try:
        until = time.monotonic() + wait_s
        while True:
            try:
                fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
                break
            except BlockingIOError:
                if time.monotonic() > until:
                    fix = "wait until the other command has ended, then give yours again"
                    where = str(pool.root)
                    raise PoolError("is in use by someone else", where=where, fix=fix) from None
                time.sleep(_POLL_S)
        yield
    finally:
        os.close(fd)


def read_journal(pool: Pool) -> list[Entry]:
    """Return all that happened, oldest first. Raises PoolError where the journal is damaged."""
    return [_entry(line, f"{pool.journal}: row {n}") for n, line in _lines(pool)]


def append(pool: Pool, entry: Entry) -> None:
    """Add a line, and return once it is on the disk. Only with the pool `locked`.

    Raises PoolError where the journal is damaged, or cannot be written.
    """
    lines = [line for _, line in _lines(pool)]
    record = {
        "what": entry.what,
        "digest": entry.digest,
        "who": entry.who,
        "at": entry.at,
        "reason": entry.reason,
        "facts": dict(entry.facts),
        "before": bytes_digest(lines[-1]) if lines else "",
    }
    text = json.dumps(record, ensure_ascii=False, separators=(",", ":")).encode()
    whole = sum(len(line) + 1 for line in lines)
    try:
        fd = os.open(pool.journal, os.O_RDWR | os.O_CREAT, 0o644)
        try:
            os.ftruncate(fd, whole)  # what a power cut tore
            _write_all(fd, text + b"\n", whole)
            os.fsync(fd)
        finally:
            os.close(fd)
        sync_folder(pool.root, deep=False)
    except OSError as exc:
        raise written_in_vain(pool.journal, exc) from exc


def _write_all(fd: int, data: bytes, at: int) -> None:
    done = 0
    while done < len(data):
        done += os.pwrite(fd, data[done:], at + done)


def _lines(pool: Pool) -> Iterator[tuple[int, bytes]]:
    """Yield (number, text) of each whole line, seeing that each follows the one before."""
    try:
        data = pool.journal.read_bytes()
    except FileNotFoundError:
        return
    except OSError as exc:
        raise PoolError(f"cannot be read ({exc.strerror})", where=str(pool.journal)) from exc
    before = ""
    for number, line in enumerate(data.split(b"\n")[:-1], 1):
        where = f"{pool.journal}: row {number}"
        try:
            said = parse_json(line.decode(), where, PoolError).raw("before")
        except (UnicodeDecodeError, WeedsetError) as exc:
            raise _damaged(where) from exc
        if said != before:
            raise _damaged(where)
        before = bytes_digest(line)
        yield number, line


def _entry(line: bytes, where: str) -> Entry:
    fields = parse_json(line.decode(), where, PoolError)
    facts = fields.raw("facts")
    return Entry(
        what=Event(fields.choice("what", tuple(Event))),
        digest=fields.text("digest"),
        who=fields.text("who"),
        at=fields.text("at"),
        reason=_text(fields, "reason"),
        facts=facts if isinstance(facts, dict) else {},
    )


def _text(fields: Fields, name: str) -> str:
    return str(fields.raw(name) or "")


def _damaged(where: str) -> PoolError:
    fix = "put back the journal from a copy of the pool; write nothing to it by hand"
    return PoolError("was changed, or the row before it was", where=where, fix=fix)
