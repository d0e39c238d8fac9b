"""Freezing an edition: numbered, digested, never changed again.

It is written aside and takes its name once it is whole; the line in the journal, written
last, makes it an edition. The same pool gives the same bytes, so the same digest.
"""

from __future__ import annotations

import json
import shutil
from collections import Counter
from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

from weedset.digests import bytes_digest, file_digest, sync_folder, write_whole
from weedset.errors import PoolError
from weedset.licences import Credit, Licence, effective_licence
from weedset.pool.contents import opened
from weedset.pool.croissant import CROISSANT, Described, croissant
from weedset.pool.datacard import CARD, Changes, LeftOut, Tally, card_text
from weedset.pool.index import INDEX, IndexWriter, require_pyarrow
from weedset.pool.journal import Entry, Event, append, locked, now, read_journal
from weedset.pool.layout import MANIFEST, Pool, written_in_vain
from weedset.pool.selection import Selection, select
from weedset.pool.shards import ShardWriter
from weedset.pool.sites import SHARES, require_no_leak
from weedset.pool.standing import Standing, State, is_open, standings
from weedset.pool.tilerows import edition_tile
from weedset.pool.twins import Place, find_conflicts
from weedset.taxonomy import load_species


@dataclass(frozen=True, slots=True)
class Edition:
    """An edition of the journal: its number, the SHA-256 of its manifest, what is in it.

    `basis` counts the lines of the journal that decide what is in it. `apart` says that it
    holds what open editions leave out because of its licence, and nothing else.
    """

    number: int
    digest: str
    frozen_at: str
    tiles: int
    basis: int
    contributions: tuple[str, ...]
    apart: bool = False


def editions(entries: Sequence[Entry]) -> list[Edition]:
    """Return the editions that were frozen, oldest first."""
    return [
        Edition(
            number=_number(entry.facts, "number"),
            digest=entry.digest,
            frozen_at=entry.at,
            tiles=_number(entry.facts, "tiles"),
            basis=_number(entry.facts, "basis"),
            contributions=_texts(entry.facts, "contributions"),
            apart=entry.facts.get("apart") is True,
        )
        for entry in entries
        if entry.what is Event.FROZEN
    ]


def empty_parts(entries: Sequence[Entry], edition: Edition) -> tuple[str, ...]:
    """Return the splits of which an edition has no tile, in the order of their use."""
    found = standings(entries)
    filled = {found[digest].split for digest in edition.contributions}
    return tuple(split for split in SHARES if split not in filled)


def freeze(pool: Pool, who: str, apart: bool = False) -> tuple[Edition, bool]:
    """Freeze an edition of all that is accepted; return it, and whether it is a new one.

    Of all under open licences, or with `apart` of all else. Where nothing changed since the
    last one of the same kind, that one is returned. Raises PoolError where
    there is nothing to freeze or it cannot be written, CheckNotPassedError for a leak,
    LicenceError where licences do not go together.
    """
    require_pyarrow()
    with locked(pool):
        entries = read_journal(pool)
        deciding = _deciding(entries)
        frozen = editions(entries)
        before = [edition for edition in frozen if edition.apart is apart]
        if not deciding:
            raise _nothing(pool)
        if before and before[-1].basis == len(deciding):
            return before[-1], False
        number = len(frozen) + 1
        folder = pool.edition(number)
        try:
            aside = folder.with_name(f".{folder.name}.part")
            if aside.exists():
                shutil.rmtree(aside)
            aside.mkdir(parents=True)
            tiles, inside = _write(pool, aside, number, before, deciding[-1].at[:10], apart)
            digest = file_digest(aside / MANIFEST)
            _settle(aside, folder, digest)
        except OSError as exc:
            raise written_in_vain(folder, exc) from exc
        facts = {
            "number": number,
            "tiles": tiles,
            "basis": len(deciding),
            "contributions": list(inside),
            "apart": apart,
        }
        append(pool, Entry(Event.FROZEN, digest, who, now(), facts=facts))
        return editions(read_journal(pool))[-1], True


def _deciding(entries: Sequence[Entry]) -> list[Entry]:
    """Return the lines of the journal that change what is in an edition."""
    counting = (State.ACCEPTED, State.WITHDRAWN)
    found = standings(entries)
    return [
        entry
        for entry in entries
        if entry.what in (Event.ACCEPTED, Event.WITHDRAWN)
        or (
            entry.what is Event.CORRECTED
            and entry.facts.get("labels")
            and found[entry.digest].state in counting
        )
    ]


def _settle(aside: Path, folder: Path, digest: str) -> None:
    """Give an edition its name, unless a freeze that was stopped has done so already."""
    if folder.exists():
        manifest = folder / MANIFEST
        if not manifest.exists() or file_digest(manifest) != digest:
            raise PoolError(
                "holds another edition, of which the journal does not know",
                where=str(folder),
                fix="move it away, or put back the journal that belongs to it",
            )
        shutil.rmtree(aside)
        return
    sync_folder(aside)
    aside.rename(folder)
    sync_folder(folder.parent, deep=False)


def _write(
    pool: Pool,
    folder: Path,
    number: int,
    before: Sequence[Edition],
    day: str,
    apart: bool,
) -> tuple[int, tuple[str, ...]]:
    """Write all files; return the number of tiles and the contributions that are in."""
    chosen = select(pool)
    require_no_leak(chosen.items, chosen.groups)
    accepted = [item for item in chosen.items if item.state is State.ACCEPTED]
    left = Counter(place.number for place in chosen.twins | chosen.taken_back)
    giving = {item.digest for n, item in enumerate(chosen.items) if left[n] < item.tiles}
    inside = [item for item in accepted if is_open(item) is not apart and item.digest in giving]
    if not inside:
        raise _nothing(pool)
    whole = effective_licence([item.licence for item in inside], apart=apart)
    tally, credits = _write_tiles(pool, folder, chosen, inside)
    shards = sorted(path.name for path in folder.glob("*.tar"))
    digests = {name: file_digest(folder / name) for name in (INDEX, *shards)}
    described = Described(
        number=number,
        description=f"{tally.tiles} labelled pictures of squares of ground, for telling plants "
        f"apart. Edition {number}.",
        licence=_address(whole),
        creators=tuple(sorted({credit.giver for credit in credits})),
        published_on=day,
        digests=digests,
    )
    left_out = LeftOut(
        twins=len(chosen.twins),
        contradictions=len(find_conflicts(pool, chosen.items, chosen.groups)),
        taken_back=len(chosen.taken_back),
        apart=tuple(item.batch for item in accepted if is_open(item) is apart),
    )
    changes = _changes(before, inside)
    card = card_text(number, day, whole, tally, left_out, credits, changes, load_species())
    texts = {
        CROISSANT: json.dumps(croissant(described), ensure_ascii=False, indent=1) + "\n",
        CARD: card,
    }
    for name, text in texts.items():
        write_whole(folder / name, text)
        digests[name] = bytes_digest(text.encode())
    lines = "".join(f"{digests[name]}  {name}\n" for name in sorted(digests))
    write_whole(folder / MANIFEST, lines)
    return tally.tiles, tuple(item.digest for item in inside)


def _write_tiles(
    pool: Pool, folder: Path, chosen: Selection, inside: Sequence[Standing]
) -> tuple[Tally, list[Credit]]:
    tally, credits = Tally(), []
    wanted = {item.digest for item in inside}
    left_out = chosen.twins | chosen.taken_back
    with ExitStack() as stack:
        index = IndexWriter(folder / INDEX)
        stack.callback(index.close)
        shards = {split: ShardWriter(folder, split) for split in SHARES}
        for shard in shards.values():
            stack.callback(shard.close)
        for number, item in enumerate(chosen.items):
            if item.digest not in wanted:
                continue
            with opened(pool, item) as contents:
                giving = contents.whole.giving
                name = giving.credit or giving.giver
                credits.append(Credit(name, giving.rights_holder, giving.licence))
                for label in contents.labels():
                    if Place(number, label.picture) in left_out:
                        continue
                    row = shards[item.split].add(edition_tile(contents, label))
                    index.add(row)
                    tally.note(row)
    return tally, credits


def _nothing(pool: Pool) -> PoolError:
    fix = "accept a contribution with tiles, under an open licence, first"
    return PoolError("holds nothing that could be frozen", where=str(pool.root), fix=fix)


def _changes(before: Sequence[Edition], inside: Sequence[Standing]) -> Changes:
    if not before:
        return Changes(0, (), 0)
    old, new = set(before[-1].contributions), {item.digest for item in inside}
    return Changes(before[-1].number, tuple(sorted(new - old)), len(old - new))


def _address(licence: Licence) -> str:
    return licence.url or licence.id


def _number(facts: Mapping[str, object], name: str) -> int:
    value = facts.get(name)
    return value if isinstance(value, int) else 0


def _texts(facts: Mapping[str, object], name: str) -> tuple[str, ...]:
    value = facts.get(name)
    return tuple(map(str, value)) if isinstance(value, list) else ()
