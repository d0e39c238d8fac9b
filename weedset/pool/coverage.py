"""What to photograph next: which species, stages, kinds of light and sites are missing."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from weedset.contribution.giving import GROUNDS
from weedset.digests import write_whole
from weedset.images import decode_tile
from weedset.pool.contents import Contents, opened
from weedset.pool.layout import Pool, written_in_vain
from weedset.pool.selection import select
from weedset.pool.standing import State, is_open
from weedset.pool.twins import Place
from weedset.quality import measure
from weedset.records import Quality, Statement
from weedset.splits import LEAST_SITES
from weedset.taxonomy import SpeciesList

#: First digits of the BBCH code at which ground is weeded: germination, leaves, side shoots,
#: the stem growing long. Common practice, no source.
STAGES = (0, 1, 2, 3)
#: Ground of which its giver says nothing.
NOT_SAID = "ground not said"

LIGHTS = ("even", "half in shadow", "dim", "burnt out")

#: Rule of three: of 30 tiles without a mistake, one may reckon with at most one in ten.
LEAST_TILES = 30

# Common practice, no source.
_SHADOW, _DIM, _BURNT_OUT = 0.2, 0.25, 0.05


@dataclass
class Coverage:
    """How many tiles show each species: in all, by stage, light and ground; on which sites.

    `looked_for` are the species on anyone's checklist, so that one never seen is here too.
    """

    looked_for: set[str] = field(default_factory=set)
    tiles: Counter[str] = field(default_factory=Counter)
    stages: Counter[tuple[str, int]] = field(default_factory=Counter)
    lights: Counter[tuple[str, str]] = field(default_factory=Counter)
    grounds: Counter[tuple[str, str]] = field(default_factory=Counter)
    sites: dict[str, set[str]] = field(default_factory=dict)

    def note(self, said: Statement, site: str, light: str, ground: str = "") -> None:
        """Count a tile; `ground` is what its giver says, "" for nothing."""
        for code in said.present:
            self.tiles[code] += 1
            self.lights[code, light] += 1
            self.grounds[code, ground or NOT_SAID] += 1
            self.sites.setdefault(code, set()).add(site)
        self.stages.update((code, stage) for code, stage in said.stages if code in said.present)

    def need(self, code: str) -> float:
        """Return how much a species is wanted: 0 is not at all, 1 where there is nothing."""
        missing = [
            *(max(0.0, 1 - self.stages[code, stage] / LEAST_TILES) for stage in STAGES),
            *(max(0.0, 1 - self.lights[code, light] / LEAST_TILES) for light in LIGHTS[:2]),
            max(0.0, 1 - len(self.sites.get(code, ())) / LEAST_SITES),
        ]
        return sum(missing) / len(missing)

    def by_need(self) -> list[str]:
        """Return the species that are wanted, most of all first."""
        codes = sorted(self.looked_for | set(self.tiles))
        return sorted((c for c in codes if self.need(c) > 0), key=lambda c: -self.need(c))


def light_of(quality: Quality) -> str:
    """Return the kind of light in which a tile was taken, one of LIGHTS."""
    if quality.overexposed > _BURNT_OUT:
        return "burnt out"
    if quality.brightness < _DIM:
        return "dim"
    return "half in shadow" if quality.shadow > _SHADOW else "even"


def measure_coverage(pool: Pool, apart: bool = False) -> Coverage:
    """Return what the next edition would hold, or with `apart` the next of what is kept apart.

    Raises PoolError where an archive is damaged.
    """
    cover = Coverage()
    chosen = select(pool)
    left_out = chosen.twins | chosen.taken_back
    for number, item in enumerate(chosen.items):
        if item.state is not State.ACCEPTED or is_open(item) is apart:
            continue
        with opened(pool, item) as contents:
            cover.looked_for.update(contents.whole.looked_for)
            ground = contents.whole.giving.ground
            for label in contents.labels():
                said = label.statement
                if said.present and Place(number, label.picture) not in left_out:
                    cover.note(said, item.site, _light(contents, label.picture), ground)
    return cover


def coverage_rows(cover: Coverage) -> list[dict[str, str | int]]:
    """Return a row for each species, the most wanted first and those not wanted last."""
    codes = cover.by_need()
    codes += sorted((cover.looked_for | set(cover.tiles)) - set(codes))
    said = {ground for _, ground in cover.grounds}
    grounds = [ground for ground in (*GROUNDS, NOT_SAID) if ground in said]
    return [
        {
            "species": code,
            "tiles": cover.tiles[code],
            "sites": len(cover.sites.get(code, ())),
            **{f"stage {stage}": cover.stages[code, stage] for stage in STAGES},
            **{light: cover.lights[code, light] for light in LIGHTS},
            **{ground: cover.grounds[code, ground] for ground in grounds},
        }
        for code in codes
    ]


def aligned(rows: Sequence[dict[str, str | int]]) -> str:
    """Return rows as text in columns."""
    if not rows:
        return "nothing is accepted yet"
    lines = [list(rows[0]), *([str(value) for value in row.values()] for row in rows)]
    widths = [max(len(line[i]) for line in lines) for i in range(len(lines[0]))]
    shown = ("  ".join(v.rjust(w) for v, w in zip(line, widths, strict=True)) for line in lines)
    return "\n".join(shown)


def call_text(cover: Coverage, known: SpeciesList) -> str:
    """Return a call for contributions in Markdown, the most wanted first."""
    lines = [f"- {_named(code, known)}: {_wishes(cover, code)}" for code in cover.by_need()]
    return (
        "# Photos wanted\n\nMost wanted first. A photo helps most from a garden that has given "
        "none yet.\n\n"
        + ("\n".join(lines) or "- Nothing: what we look for is well covered.")
        + "\n"
    )


def write_call(path: Path, text: str) -> None:
    """Write a call for contributions. Raises PoolError where that fails."""
    try:
        write_whole(path, text)
    except OSError as exc:
        raise written_in_vain(path, exc) from exc


def _wishes(cover: Coverage, code: str) -> str:
    wishes = []
    sites = len(cover.sites.get(code, ()))
    if sites < LEAST_SITES:
        wishes.append(f"from {LEAST_SITES - sites} more gardens")
    stages = [str(s) for s in STAGES if cover.stages[code, s] < LEAST_TILES]
    if stages:
        wishes.append(f"at growth stage {', '.join(stages)} (first digit of the BBCH code)")
    lights = [light for light in LIGHTS[:2] if cover.lights[code, light] < LEAST_TILES]
    if lights:
        wishes.append(f"with light that is {' or '.join(lights)}")
    return "; ".join(wishes)


def _named(code: str, known: SpeciesList) -> str:
    if code not in known:
        return code
    latin = known[code].scientific_name
    return f"{known[code].name_en or code} ({f'*{latin}*, ' if latin else ''}{code})"


def _light(contents: Contents, key: str) -> str:
    pixels = decode_tile(contents.picture(key))
    _, whole = measure(pixels, np.ones((1, 1), bool), pixels.shape[0])
    return light_of(whole)
