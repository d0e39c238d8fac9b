"""What the leaf forms of all species share: laying leaves round a plant, ageing, chance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from sample_data.leaves import Leaf, Skin
from sample_data.light import Rgb
from sample_data.outlines import bites

Floats = NDArray[np.float64]
Rng = np.random.Generator

GOLDEN_RAD = 2.39996  # the usual angle between a leaf and the next, 137.5 degrees


def count_of(bbch: int) -> int:
    """Number of true leaves at a BBCH stage: 0 at 10, 2 at 12; 9 to 14 from 19 on."""
    return min(bbch, 19) - 10 + min(max(0, (bbch - 19) // 2), 5)


def grown(order: int, count: int) -> float:
    """Size of a leaf (0.3 to 1) by its place: the first leaves are smallish, the last are young."""
    if count <= 1:
        return 0.8
    age = (count - 1 - order) / (count - 1)
    early = min(1.0, 0.72 + 0.14 * order)
    return early * (0.34 + 0.66 * min(1.0, age * 1.7))


def tinted(colour: Rgb, rng: Rng, spread: float = 7.0) -> Rgb:
    """A colour a little brighter or darker, and a little yellower or bluer."""
    level, yellow = rng.normal(0, spread), rng.normal(0, spread * 0.6)
    red, green, blue = colour[0] + level + yellow, colour[1] + level, colour[2] + level - yellow
    clipped = np.clip([red, green, blue], 4, 250)
    return int(clipped[0]), int(clipped[1]), int(clipped[2])


def between(first: Rgb, second: Rgb, share: float) -> Rgb:
    """A colour on the way from the first (0) to the second (1)."""
    mixed = [round(a + (b - a) * share) for a, b in zip(first, second, strict=True)]
    return mixed[0], mixed[1], mixed[2]


def weathered(skin: Skin, rng: Rng, share: float = 0.2) -> Skin:
    """The skin of one leaf: each a little different, some yellowing or reddened by cold."""
    skin = replace(skin, base=tinted(skin.base, rng), tip=tinted(skin.tip, rng))
    if rng.random() > share:
        return skin
    blotch: Rgb = (176, 158, 72) if rng.random() < 0.6 else (120, 72, 74)
    return replace(skin, blotch=blotch, blotched=float(rng.uniform(0.15, 0.55)))


def lay(
    shapes: Sequence[Floats],
    length_mm: float,
    half_width_mm: float,
    skin: Skin,
    turn_rad: float,
    heights_mm: tuple[float, float],
    rng: Rng,
    *,
    off_mm: float = 0.0,
    at_mm: tuple[float, float] = (0.0, 0.0),
    bend: float = 0.08,
    fold: float = 0.5,
    eaten: float = 0.06,
) -> Leaf:
    """A leaf at ``off_mm`` from ``at_mm`` in the direction it points to, with chance marks.

    ``off_mm`` is the length of its stalk; ``eaten`` the chance of holes.
    """
    base = (
        at_mm[0] + off_mm * float(np.cos(turn_rad)),
        at_mm[1] + off_mm * float(np.sin(turn_rad)),
    )
    holes: list[Floats] = []
    if rng.random() < eaten:
        holes = bites(shapes[0], rng, int(rng.integers(1, 5)))
    return Leaf(
        shapes=tuple(shapes),
        length_mm=length_mm,
        half_width_mm=half_width_mm,
        skin=weathered(skin, rng),
        base_mm=base,
        turn_rad=turn_rad,
        bend=float(rng.normal(0, bend)),
        low_mm=heights_mm[0],
        high_mm=heights_mm[1],
        fold=float(rng.normal(fold, 0.2)),
        droop=float(rng.normal(0.35, 0.2)),
        holes=tuple(holes),
    )


def pair_turns(rng: Rng, spread: float = 0.12) -> tuple[float, float]:
    """Directions of two leaves that stand opposite each other."""
    return float(rng.normal(0, spread)), float(np.pi + rng.normal(0, spread))
