"""Editions and whole pools at an address: published, backed up, fetched, verified.

The working folder of a pool stays on a disk: its lock, its journal that grows by a line, and
its marks that are read in place need a file system. What is finished never changes and goes by
its digest, so it can lie anywhere: archives and editions as they are, and each line of the
journal as an object of its own, written once, so that two copies of a pool that went different
ways are never mixed.
"""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from weedset.digests import bytes_digest, file_digest, write_whole
from weedset.errors import PoolError
from weedset.findings import Findings
from weedset.pool.editions import Edition, editions
from weedset.pool.journal import Entry, read_journal
from weedset.pool.layout import MANIFEST, Pool, listed, written_in_vain
from weedset.pool.remote import Remote
from weedset.pool.standing import State, standings
from weedset.pool.withdrawal import withdrawn_from

#: What pool.json of the pool says; by another name, so that a copy is not taken for a pool.
_COPY = "pool-copy.json"
_JOURNAL = "journal"


@dataclass
class Moved:
    """How many objects were sent or fetched, and how many were there already."""

    moved: int = 0
    there: int = 0

    def note(self, moved: bool) -> None:
        """Count one."""
        self.moved += moved
        self.there += not moved


@dataclass(frozen=True, slots=True)
class _Object:
    """What should lie under a name."""

    name: str
    digest: str


def publish(pool: Pool, number: int, url: str) -> tuple[Edition, Moved]:
    """Send an edition to an address, its manifest last; return it, and what was sent.

    Raises PoolError where there is no such edition, something in it was withdrawn since,
    another one lies there, or sending fails.
    """
    found = {edition.number: (edition, n) for edition, n in withdrawn_from(read_journal(pool))}
    if number not in found:
        fix = "see `weedset pool editions` for those that are there"
        raise PoolError(f"has no edition {number}", where=str(pool.root), fix=fix)
    edition, withdrawn = found[number]
    if withdrawn:
        fix = "freeze a new one, and publish that"
        raise PoolError("holds what was withdrawn since", where=f"edition {number}", fix=fix)
    folder, remote, moved = pool.edition(number), Remote(url), Moved()
    there = remote.read(MANIFEST)
    if there is not None and bytes_digest(there) != edition.digest:
        fix = "choose another address: an edition is never written over"
        raise PoolError("holds another edition", where=remote.url, fix=fix)
    for part in _edition_parts(edition, folder / MANIFEST):
        moved.note(remote.send(folder / part.name, part.name, part.digest))
    return edition, moved


def back_up(pool: Pool, url: str) -> Moved:
    """Bring the copy of a pool at an address up to date; return what was sent.

    What was refused or withdrawn since is removed there. Raises PoolError where another pool
    lies there, or one that went another way, or sending fails.
    """
    remote, moved = Remote(url), Moved()
    entries = read_journal(pool)
    lines = pool.journal.read_bytes().split(b"\n")[: len(entries)] if entries else []
    there = len(remote.names(_JOURNAL))
    # Each line carries the digest of the one before it: where the last agrees, all do.
    if there > len(lines) or (there and remote.read(_line(there - 1)) != lines[there - 1]):
        fix = "choose another address, or fetch what is there and go on with that"
        what = "holds another pool, or a copy of this one that went on by itself"
        raise PoolError(what, where=remote.url, fix=fix)
    archives = _archives(entries)
    for part in (*archives, *_all_editions(pool, entries), *_kept_marks(pool, entries)):
        moved.note(remote.send(pool.root / part.name, part.name, part.digest))
    for number in range(there, len(lines)):
        moved.note(remote.write_new(_line(number), lines[number]))
    moved.note(remote.write_new(_COPY, pool.marker.read_bytes()))
    for name in set(remote.names("archives")) - {part.name for part in archives}:
        remote.remove(name)
    return moved


def fetch(url: str, folder: Path, digest: str = "") -> Moved:
    """Fetch an edition, or the copy of a pool, into a folder; what is here already stays.

    It is an edition, or a pool, once all of it is here and of its digest. `digest` is that of
    the edition, if it is known. Raises PoolError where there is neither, anything is damaged
    or missing, or the folder is a pool already.
    """
    remote = Remote(url)
    manifest = remote.read(MANIFEST)
    try:
        if manifest is not None:
            return _fetch_edition(remote, manifest, folder, digest)
        marker = remote.read(_COPY)
        if marker is not None:
            return _fetch_pool(remote, marker, folder)
    except OSError as exc:
        raise written_in_vain(folder, exc) from exc
    raise _neither(remote)


def verify_at(url: str, findings: Findings, digest: str = "") -> list[str]:
    """Add all damage at an address to `findings`; return what is left over there.

    `digest` is that of the edition there, if it is known: without it a changed manifest that
    fits changed files is not found. Raises PoolError where there is neither edition nor pool.
    """
    remote = Remote(url)
    manifest = remote.read(MANIFEST)
    wanted: list[_Object] = []
    if manifest is not None:
        wanted = [_Object(MANIFEST, digest or bytes_digest(manifest))]
        with findings.at(MANIFEST).catching():
            wanted += _listed(manifest, remote.url)
    elif remote.read(_COPY) is not None:
        with findings.at(_JOURNAL).catching(), tempfile.TemporaryDirectory() as aside:
            entries = _fetch_journal(remote, Pool(Path(aside)))
            wanted = _archives(entries)
            for edition in editions(entries):
                wanted += _edition_at(remote, edition, findings)
            there = remote.names("marks")
            for name in (name for name in _marks(entries) if name not in there):
                what = "is missing: what was withdrawn would not be known again"
                findings.at(name).add(what, fix="back the pool up again")
    else:
        raise _neither(remote)
    for part in wanted:
        found = remote.digest(part.name)
        if found != part.digest:
            what = "is missing" if found is None else "is damaged: not the object of its digest"
            findings.at(part.name).add(what, fix="send it again, from where it is whole")
    known = {part.name for part in wanted} | {_COPY}
    mine = (_JOURNAL, "marks")
    return [n for n in remote.names() if n not in known and n.partition("/")[0] not in mine]


def _fetch_edition(remote: Remote, manifest: bytes, folder: Path, digest: str) -> Moved:
    if digest and bytes_digest(manifest) != digest:
        fix = "ask whoever published it; nothing was fetched"
        raise PoolError("is not the edition of that digest", where=remote.url, fix=fix)
    moved = Moved()
    for part in _listed(manifest, remote.url):
        moved.note(remote.fetch(part.name, folder / part.name, part.digest))
    moved.note(remote.fetch(MANIFEST, folder / MANIFEST, bytes_digest(manifest)))
    return moved


def _fetch_pool(remote: Remote, marker: bytes, folder: Path) -> Moved:
    pool, moved = Pool(folder), Moved()
    if pool.marker.exists():
        fix = "choose a new folder: a pool is never written over"
        raise PoolError("is a pool already", where=str(folder), fix=fix)
    entries = _fetch_journal(remote, pool)
    for part in _archives(entries):
        moved.note(remote.fetch(part.name, folder / part.name, part.digest))
    for edition in editions(entries):
        at = f"editions/{edition.number:04d}"
        moved.note(remote.fetch(f"{at}/{MANIFEST}", folder / at / MANIFEST, edition.digest))
        for part in _edition_parts(edition, folder / at / MANIFEST)[:-1]:
            name = f"{at}/{part.name}"
            moved.note(remote.fetch(name, folder / name, part.digest))
    for name in _marks(entries):
        marks = remote.read(name)
        if marks is None:
            raise PoolError("is missing", where=f"{remote.url}/{name}", fix="back up again")
        write_whole(folder / name, marks)
    write_whole(pool.marker, marker)
    return moved


def _fetch_journal(remote: Remote, pool: Pool) -> list[Entry]:
    """Put the journal of a pool together in its folder, and read it. Raises PoolError."""
    lines = []
    for number, name in enumerate(remote.names(_JOURNAL)):
        line = remote.read(name) if name == _line(number) else None
        if line is None:
            where = f"{remote.url}/{_line(number)}"
            raise PoolError("is missing", where=where, fix="back the pool up again")
        lines.append(line + b"\n")
    write_whole(pool.journal, b"".join(lines))
    return read_journal(pool)


def _edition_at(remote: Remote, edition: Edition, findings: Findings) -> list[_Object]:
    at = f"editions/{edition.number:04d}"
    whole = [_Object(f"{at}/{MANIFEST}", edition.digest)]
    manifest = remote.read(f"{at}/{MANIFEST}") or b""
    if bytes_digest(manifest) == edition.digest:
        with findings.at(f"{at}/{MANIFEST}").catching():
            parts = _listed(manifest, f"{remote.url}/{at}")
            whole += [_Object(f"{at}/{part.name}", part.digest) for part in parts]
    return whole


def _all_editions(pool: Pool, entries: Sequence[Entry]) -> list[_Object]:
    return [
        _Object(f"editions/{edition.number:04d}/{part.name}", part.digest)
        for edition in editions(entries)
        for part in _edition_parts(edition, pool.edition(edition.number) / MANIFEST)
    ]


def _edition_parts(edition: Edition, manifest: Path) -> list[_Object]:
    """Return the files of an edition on the disk, the manifest last. Raises PoolError."""
    try:
        data = manifest.read_bytes()
    except OSError as exc:
        raise PoolError(f"cannot be read ({exc.strerror})", where=str(manifest)) from exc
    if bytes_digest(data) != edition.digest:
        fix = "put it back from a copy of the pool"
        raise PoolError(
            "is damaged: it is not the file of its digest", where=str(manifest), fix=fix
        )
    return [*_listed(data, str(manifest)), _Object(MANIFEST, edition.digest)]


def _listed(manifest: bytes, where: str) -> list[_Object]:
    return [_Object(name, digest) for name, digest in listed(manifest, where).items()]


def _archives(entries: Sequence[Entry]) -> list[_Object]:
    return [
        _Object(f"archives/{item.digest}.zip", item.digest)
        for item in standings(entries).values()
        if item.state in (State.WAITING, State.ACCEPTED)
    ]


def _marks(entries: Sequence[Entry]) -> list[str]:
    """Return the names of the marks that follow from nothing else: of what was withdrawn."""
    found = standings(entries).values()
    return [f"marks/{item.digest}.npy" for item in found if item.state is State.WITHDRAWN]


def _kept_marks(pool: Pool, entries: Sequence[Entry]) -> list[_Object]:
    try:
        return [_Object(name, file_digest(pool.root / name)) for name in _marks(entries)]
    except OSError as exc:
        fix = "see what `weedset pool verify` says"
        what = f"cannot be read ({exc.strerror})"
        raise PoolError(what, where=str(exc.filename), fix=fix) from exc


def _line(number: int) -> str:
    return f"{_JOURNAL}/{number + 1:08d}.json"


def is_copy(folder: Path) -> bool:
    """Return whether a folder looks like the copy of a pool."""
    return (folder / _COPY).is_file()


def _neither(remote: Remote) -> PoolError:
    fix = "name the address that was given to `weedset pool publish` or `weedset pool backup`"
    return PoolError("holds neither an edition nor a pool", where=remote.url, fix=fix)
