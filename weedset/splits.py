"""Which tiles a model learns from, is tuned on, and is judged by."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from weedset.digests import bytes_digest
from weedset.errors import TrainingError
from weedset.records import LabelledTile
from weedset.talk import counted

#: Below this many sites there are too few to learn, tune and judge on separate ones.
LEAST_SITES = 3

_TEST_SHARE = 1 / 3
_VALIDATION_SHARE = 1 / 5


@dataclass(frozen=True, slots=True)
class Split:
    """Tiles to learn from, to tune on, and to judge by; `unit` never straddles them."""

    train: tuple[LabelledTile, ...]
    validation: tuple[LabelledTile, ...]
    test: tuple[LabelledTile, ...]
    unit: Literal["site", "photo"]

    @property
    def parts(self) -> tuple[tuple[LabelledTile, ...], ...]:
        """The three parts, in the order in which they are used."""
        return self.train, self.validation, self.test


def split_tiles(tiles: Sequence[LabelledTile], held_out: Sequence[str] = ()) -> Split:
    """Split by site where there are at least three, otherwise by photo.

    Sites fall by the digest of their name, so that the same sites always fall alike.
    Photos of few sites are kept in blocks of time: neighbours in time often show the
    same ground, so the last third is held out. `held_out` names the sites, or the photos
    by file name, to judge by instead.

    Raises TrainingError where there are too few photos, or a name is not there.
    """
    by_site = len({tile.site for tile in tiles}) >= LEAST_SITES
    unit: Literal["site", "photo"] = "site" if by_site else "photo"
    names = sorted({_unit(tile, unit) for tile in tiles}, key=_site_order if by_site else None)
    if len(names) < LEAST_SITES:
        raise TrainingError(
            f"there are labels on {counted(len(names), 'photo')}: too few to learn, tune and judge "
            "on separate ones",
            fix="label at least three photos, better ten, best of several sites",
        )
    test = (
        _held_out(tiles, names, unit, held_out) or names[-max(1, round(len(names) * _TEST_SHARE)) :]
    )
    rest = [name for name in names if name not in test]
    if len(rest) < 2:
        fix = "hold out fewer, or label more: it takes one to learn from and one to tune on as well"
        where = "held-out photos or sites"
        raise TrainingError("too little is left to learn from", where=where, fix=fix)
    validation = rest[-max(1, round(len(rest) * _VALIDATION_SHARE)) :]
    train = [name for name in rest if name not in validation]

    def part(names: Sequence[str]) -> tuple[LabelledTile, ...]:
        inside = frozenset(names)
        return tuple(tile for tile in tiles if _unit(tile, unit) in inside)

    return Split(part(train), part(validation), part(test), unit)


def _unit(tile: LabelledTile, unit: str) -> str:
    """Return the name of the site, or of the photo such that names sort by time."""
    if unit == "site":
        return tile.site
    return f"{tile.site} {tile.taken_at or ''} {tile.photo_name} {tile.tile.photo_digest}"


def _site_order(site: str) -> str:
    return bytes_digest(site.encode())


def _held_out(
    tiles: Sequence[LabelledTile], names: Sequence[str], unit: str, held_out: Sequence[str]
) -> list[str]:
    chosen: set[str] = set()
    for name in held_out:
        found = {
            _unit(tile, unit)
            for tile in tiles
            if name == tile.site or (unit == "photo" and name == tile.photo_name)
        }
        if not found:
            kind = "site" if unit == "site" else "site or photo"
            there = sorted({tile.site for tile in tiles})
            near = difflib.get_close_matches(name, there, 1)
            some = ", ".join(there[:9])
            fix = f"did you mean {near[0]}?" if near else f"sites with labels: {some}"
            what = f"{name!r} is no {kind} with labels"
            raise TrainingError(what, where="--held-out", fix=fix)
        chosen |= found
    return [name for name in names if name in chosen]
