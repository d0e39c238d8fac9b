"""Whether a pool is sound: what is there, what should be, and what each file should hold."""

from __future__ import annotations

from pathlib import Path

from weedset.digests import file_digest
from weedset.errors import PoolError
from weedset.findings import Findings
from weedset.pool.editions import Edition, editions
from weedset.pool.journal import read_journal
from weedset.pool.layout import MANIFEST, Pool, listed
from weedset.pool.standing import State, standings

_FROM_COPY = "put it back from a copy of the pool"
_AGAIN = "ask its giver for it again, or put it back from a copy of the pool"


def verify(pool: Pool, findings: Findings) -> list[str]:
    """Add all damage to `findings`; return what is left over from stopped commands.

    Left-over files hurt nothing and may be deleted while no other command runs.
    """
    try:
        entries = read_journal(pool)
    except PoolError as error:
        findings.at("journal.jsonl").add_error(error)
        return []
    wanted = set()
    for item in standings(entries).values():
        if item.state in (State.WAITING, State.ACCEPTED):
            wanted.add(pool.archive(item.digest))
            _verify_file(pool.archive(item.digest), item.digest, _AGAIN, pool, findings)
        elif item.state is State.WITHDRAWN and not pool.marks(item.digest).exists():
            what = "is missing: what was withdrawn would not be known again"
            findings.at(_name(pool.marks(item.digest), pool)).add(what, fix=_FROM_COPY)
    frozen = editions(entries)
    for edition in frozen:
        _verify_edition(pool, edition, findings)
    there = list(pool.root.rglob(".*.part"))
    there += [path for path in pool.archives.glob("*.zip") if path not in wanted]
    folders = {pool.edition(edition.number) for edition in frozen}
    there += [path for path in pool.editions.glob("[0-9]*") if path not in folders]
    return sorted({str(path.relative_to(pool.root)) for path in there})


def _verify_edition(pool: Pool, edition: Edition, findings: Findings) -> None:
    folder = pool.edition(edition.number)
    manifest = folder / MANIFEST
    if not _verify_file(manifest, edition.digest, _FROM_COPY, pool, findings):
        return
    named: dict[str, str] = {}
    with findings.at(_name(manifest, pool)).catching():
        named = listed(manifest.read_bytes(), str(manifest))
    for name, digest in named.items():
        _verify_file(folder / name, digest, _FROM_COPY, pool, findings)
    for path in sorted(folder.iterdir()):
        if path.name not in {*named, MANIFEST}:
            what = "is not part of the edition"
            findings.at(_name(path, pool)).add(what, fix="take it away")


def _verify_file(path: Path, digest: str, fix: str, pool: Pool, findings: Findings) -> bool:
    spot = findings.at(_name(path, pool))
    try:
        if file_digest(path) == digest:
            return True
        spot.add("is damaged: it is not the file of its digest", fix=fix)
    except FileNotFoundError:
        spot.add("is missing", fix=fix)
    except OSError as exc:
        spot.add(f"cannot be read ({exc.strerror})", fix=fix)
    return False


def _name(path: Path, pool: Pool) -> str:
    return str(path.relative_to(pool.root))
