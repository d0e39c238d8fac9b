"""Damaged archives by the thousand, from one good one."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np

from tests.packing.forge import Forgery, read_bag, relist, write_zip

_VALUES: tuple[Any, ...] = (
    None, True, False, 0, -1, 1, 2**53, 10**400, -1e308, float("nan"), float("inf"), "", " ", "x",
    "=1+1", "<b>", "\x1b[2J", "\u202e", "\ud800", "../..", "CHEAL", "a" * 3000, [], {}, [[]],
    ["CHEAL", "CHEAL"], {"CHEAL": 1}, ["x"] * 2000, [None], {"": {}}, "2024-02-30", "9999-12-31",
)  # fmt: skip
_ROWS = ("data/labels.jsonl", "data/photos.jsonl")


def damaged(data: bytes, rng: np.random.Generator) -> bytes:
    """Change bytes, cut, insert, repeat or swap parts of a file."""
    changed = bytearray(data)
    for _ in range(int(rng.integers(1, 5))):
        at = int(rng.integers(0, len(changed) + 1))
        length = int(rng.choice([1, 2, 4, 16, 200]))
        match rng.integers(0, 6):
            case 0:
                changed[at : at + 1] = bytes([int(rng.integers(0, 256))])
            case 1:
                del changed[at : at + length]
            case 2:
                changed[at:at] = rng.bytes(length)
            case 3:
                changed[at:at] = changed[at : at + length]
            case 4:
                changed[at : at + length] = bytes([int(rng.choice([0, 0xFF]))]) * length
            case _:
                other = int(rng.integers(0, len(changed) + 1))
                changed[at : at + length] = changed[other : other + length]
    return bytes(changed)


def twisted(value: Any, rng: np.random.Generator) -> Any:
    """Put something odd somewhere into parsed JSON."""
    if rng.random() < 0.25 or not isinstance(value, dict | list) or not value:
        return _VALUES[int(rng.integers(0, len(_VALUES)))]
    if isinstance(value, dict):
        name = list(value)[int(rng.integers(0, len(value)))]
        match rng.integers(0, 8):
            case 0:
                return {key: item for key, item in value.items() if key != name}
            case 1:
                return {**value, f"{name}x": value[name]}
            case _:
                return {**value, name: twisted(value[name], rng)}
    at = int(rng.integers(0, len(value)))
    return [*value[:at], twisted(value[at], rng), *value[at + 1 :]]


def _dump(value: object) -> bytes:
    return json.dumps(value).encode("utf-8", "surrogatepass")


def twist_inside(bag: Forgery, rng: np.random.Generator) -> None:
    """Change one file of the bag: its meaning, or its bytes."""
    names = list(bag.files)
    name = names[int(rng.integers(0, len(names)))]
    match rng.integers(0, 4):
        case 0:
            table = json.loads(bag.files["data/batch.json"])
            bag.files["data/batch.json"] = _dump(twisted(table, rng))
        case 1:
            name = _ROWS[int(rng.integers(0, 2))]
            rows = bag.rows(name)
            at = int(rng.integers(0, len(rows)))
            bag.files[name] = b"".join(
                _dump(twisted(row, rng) if i == at else row) + b"\n" for i, row in enumerate(rows)
            )
        case _:
            bag.files[name] = damaged(bag.files[name], rng)


_OUTSIDE = 0.4


class Fuzzer:
    """Makes damaged archives at one place on the disk."""

    def __init__(self, good: Path, folder: Path) -> None:
        self._good = good.read_bytes()
        self._files = read_bag(good).files
        self.path = folder / "fuzzed.zip"

    def is_outside(self, seed: int) -> bool:
        """Tell whether the archive of a seed is damaged as a whole, not changed within."""
        return np.random.default_rng(seed).random() < _OUTSIDE

    def make(self, seed: int) -> Path:
        """Write the archive of a seed: damaged outside, or inside under true manifests."""
        rng = np.random.default_rng(seed)
        if rng.random() < _OUTSIDE:
            self.path.write_bytes(damaged(self._good, rng))
            return self.path
        bag = Forgery(dict(self._files))
        twist_inside(bag, rng)
        if rng.random() < 0.9:
            relist(bag)
        return write_zip(self.path, bag.files)
