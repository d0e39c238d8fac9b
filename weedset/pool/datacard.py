"""The card of an edition: what is in it, what is not, and who gave it, for people."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from weedset.licences import Credit, Licence, credit_lines
from weedset.markdown import plain
from weedset.pool.cardhead import card_head
from weedset.pool.sites import SHARES
from weedset.talk import counted
from weedset.taxonomy import SpeciesList

CARD = "README.md"

_COUNTED = ("split", "licence", "camera", "country", "ground", "site", "verdict")


@dataclass
class Tally:
    """What came by while an edition was written."""

    tiles: int = 0
    by: dict[str, Counter[str]] = field(default_factory=lambda: {n: Counter() for n in _COUNTED})
    species: Counter[tuple[str, str]] = field(default_factory=Counter)
    sites: dict[str, set[str]] = field(default_factory=dict)
    stages: Counter[tuple[str, int]] = field(default_factory=Counter)
    corrected: Counter[str] = field(default_factory=Counter)
    unnamed: int = 0

    def note(self, row: Mapping[str, Any]) -> None:
        """Count a row."""
        self.tiles += 1
        for name in _COUNTED:
            self.by[name][row[name]] += 1
        for code in row["present"]:
            self.species[code, row["split"]] += 1
            self.sites.setdefault(code, set()).add(row["site"])
        self.stages.update((item["species"], item["stage"]) for item in row["stages"])
        self.unnamed += row["unknown_plant"]
        if row["corrected"]:
            self.corrected[row["identified_by"]] += 1

    @property
    def codes(self) -> list[str]:
        """The species that are there, by code."""
        return sorted({code for code, _ in self.species})


@dataclass(frozen=True, slots=True)
class LeftOut:
    """What stayed out: `apart` are contributions whose licence does not let them in."""

    twins: int
    contradictions: int
    taken_back: int
    apart: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Changes:
    """What changed since the edition before: contributions that are new, and how many went."""

    before: int
    new: tuple[str, ...]
    gone: int


def card_text(
    number: int,
    day: str,
    licence: Licence,
    tally: Tally,
    left_out: LeftOut,
    credits: Sequence[Credit],
    changes: Changes,
    known: SpeciesList,
) -> str:
    """Return the card in Markdown, with its facts for machines in a YAML head."""
    splits = "\n".join(f"| {split} | {tally.by['split'][split]} |" for split in SHARES)
    givers = "\n".join(f"- {plain(line)}" for line in credit_lines(credits))
    return f"""---
{card_head(number, licence, tally.tiles)}---

# Ground cells, edition {number}

{counted(tally.tiles, "labelled tile")} of {counted(len(tally.by["site"]), "site")}, as of {day}.
A tile is the picture of one square of ground and may show several plants.
That a species is not named counts as absence only where it was looked for (column looked_for).
Licence of the whole: {licence.id}.
{licence.sentence}
{licence.url}

| split | tiles |
|--|--|
{splits}

Splits go by site: no site and no picture is in two of them, and a site never changes its split.

## Species

| code | name | {" | ".join(SHARES)} | sites |
|--|--|{"--|" * (len(SHARES) + 1)}
{_species_rows(tally, known)}

Bare ground: {counted(tally.by["verdict"]["bare"], "tile")}. A plant that nobody could name:
{tally.unnamed}. Cannot tell: {tally.by["verdict"]["cannot tell"]}.

## Growth stages (first digit of the BBCH code)

{_listed({f"{code}, stage {stage}": n for (code, stage), n in sorted(tally.stages.items())})}

## Tiles by camera

{_listed(tally.by["camera"])}

## Tiles by country

{_listed(tally.by["country"])}

## Tiles by ground

{_listed(tally.by["ground"])}

## Tiles by licence

{_listed(tally.by["licence"])}

## Corrected labels

{_corrected(tally)}

## Gaps and known faults

{_gaps(tally, left_out)}

## Changes

{_changes(changes)}

## Givers

{givers}

Labels are people's opinions. Nothing here says that a plant may be treated or eaten, and no
model learned from this is a safety system.
"""


def _species_rows(tally: Tally, known: SpeciesList) -> str:
    rows = []
    for code in tally.codes:
        name = known[code].scientific_name if code in known else ""
        counts = " | ".join(str(tally.species[code, split]) for split in SHARES)
        rows.append(f"| {code} | {plain(name)} | {counts} | {len(tally.sites[code])} |")
    return "\n".join(rows)


def _gaps(tally: Tally, left_out: LeftOut) -> str:
    lines = [
        f"{code} has no tile in {split}: nothing can be said of it there"
        for code in tally.codes
        for split in SHARES
        if not tally.species[code, split]
    ]
    lines += [
        f"{code} is from one site only" for code in tally.codes if len(tally.sites[code]) == 1
    ]
    twins = counted(left_out.twins, "tile")
    lines.append(f"left out, since one that came first shows the same: {twins}")
    lines.append(f"contradictions between labels of such tiles: {left_out.contradictions}")
    if left_out.taken_back:
        gone = counted(left_out.taken_back, "tile")
        lines.append(f"left out, since they show what was withdrawn: {gone}")
    if left_out.apart:
        names = ", ".join(left_out.apart)
        lines.append(f"left out because of their licence: {names}")
    lines.append("light is not recorded, and ground only as the giver says it of a whole batch")
    return "\n".join(f"- {line}" for line in lines)


def _corrected(tally: Tally) -> str:
    if not tally.corrected:
        return "No label was corrected by the maintainers."
    count = sum(tally.corrected.values())
    return (
        f"{count} of {tally.tiles} labels were corrected after a second look (column corrected), "
        f"by:\n\n{_listed(tally.corrected)}"
    )


def _changes(changes: Changes) -> str:
    if not changes.before:
        return "This is the first edition of its kind."
    return (
        f"Since edition {changes.before}: {counted(len(changes.new), 'new contribution')}, "
        f"{changes.gone} withdrawn or left out."
    )


def _listed(counts: Mapping[str, int]) -> str:
    lines = [f"- {plain(name) or 'not said'}: {n}" for name, n in sorted(counts.items())]
    return "\n".join(lines) or "- none stated"
