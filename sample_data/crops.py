"""Leaf forms of the drawn crops: carrot, lettuce, beet."""

from __future__ import annotations

import numpy as np

from sample_data.forms import GOLDEN_RAD, Rng, between, count_of, grown, lay, pair_turns
from sample_data.leaves import Leaf, Skin
from sample_data.light import Rgb
from sample_data.outlines import blade, feathered, oval, stalk


def carrot(bbch: int, size: float, look: float, rng: Rng) -> list[Leaf]:
    """Two long linear cotyledons, then finely divided leaves on thin stalks."""
    green = between((86, 128, 58), (64, 112, 58), look)
    skin = Skin(
        base=green, tip=between(green, (122, 156, 78), 0.5), rib=(124, 150, 90),
        stalk=(136, 156, 96), rib_mm=0.25, veins=0, gloss=0.1,
    )  # fmt: skip
    count = count_of(bbch)
    leaves = []
    for turn in pair_turns(rng, 0.25):
        length, half = rng.uniform(17, 26) * size, rng.uniform(0.75, 1.05) * size**0.5
        shapes = [blade(length, half, oval(0.5, 2.6), rng), stalk(2.0, 0.5)]
        leaves.append(lay(shapes, length, half, skin, turn, (1.0, 3.0), rng, off_mm=2.0, bend=0.15))
    first = rng.uniform(0, 2 * np.pi)
    largest = (20 + 7.0 * count) * size
    for order in range(count):
        length = largest * grown(order, count) * rng.uniform(0.9, 1.1)
        half = length * rng.uniform(0.34, 0.46)
        petiole = length * rng.uniform(0.45, 0.8)
        shapes = [*feathered(length, half, 0.75 + 0.25 * size, rng), stalk(petiole, 0.6)]
        high = 8 + 22 * grown(order, count) * size
        turn = first + order * GOLDEN_RAD + rng.normal(0, 0.2)
        leaves.append(
            lay(shapes, length, half, skin, turn, (1.0 + order * 0.2, high), rng,
                off_mm=petiole, bend=0.12, fold=0.2, eaten=0.02)
        )  # fmt: skip
    return leaves


def lettuce(bbch: int, size: float, look: float, rng: Rng) -> list[Leaf]:
    """Rosette of broad, pale, puckered leaves with wavy margins; some varieties red at the tip."""
    green = between((136, 172, 72), (104, 150, 62), rng.random())
    red = between((112, 62, 56), (92, 70, 52), rng.random())
    tip = between(between(green, (176, 202, 108), 0.6), red, np.clip(look * 3 - 2, 0, 0.85))
    skin = Skin(
        base=green, tip=tip, rib=(206, 218, 166), stalk=(204, 214, 168),
        rib_mm=1.1 * size, veins=5, slant=0.9, vein_strength=0.22, puckered=0.95,
        frill=0.9, gloss=0.3,
    )  # fmt: skip
    leaves = []
    for turn in pair_turns(rng):
        length, half = rng.uniform(8, 11) * size, rng.uniform(3.2, 4.2) * size
        shapes = [blade(length, half, oval(0.62, 1.5), rng), stalk(3, 0.8)]
        small = Skin(base=green, tip=green, rib=(190, 206, 140), stalk=(190, 206, 140), rib_mm=0.3)
        leaves.append(lay(shapes, length, half, small, turn, (0.8, 2.5), rng, off_mm=3.0))
    count = count_of(bbch)
    first = rng.uniform(0, 2 * np.pi)
    largest = min(26 + 8.5 * count, 95) * size
    for order in range(count):
        length = largest * grown(order, count) * rng.uniform(0.9, 1.1)
        half = length * rng.uniform(0.36, 0.47)
        profile = oval(rng.uniform(0.60, 0.70), 0.95)
        shapes = [blade(length, half, profile, rng, wavy=0.05 + 0.03 * (length > 40))]
        shapes.append(stalk(length * 0.06, 1.2 * size))
        heights = (1.0 + 1.2 * order, 5 + 2.4 * order + 7 * grown(order, count))
        turn = first + order * GOLDEN_RAD + rng.normal(0, 0.15)
        leaves.append(
            lay(shapes, length, half, skin, turn, heights, rng,
                off_mm=1.5, bend=0.07, fold=0.45, eaten=0.12)
        )  # fmt: skip
    return leaves


def beet(bbch: int, size: float, look: float, rng: Rng) -> list[Leaf]:
    """Lance-shaped cotyledons, then ovate shining leaves on long red (seldom green) stalks."""
    red: Rgb = between((150, 36, 66), (168, 62, 84), rng.random())
    if look > 0.85:
        red = (150, 170, 96)
    green = between((70, 112, 52), (58, 92, 50), rng.random())
    skin = Skin(
        base=between(green, red, 0.10), tip=green, rib=red, stalk=red,
        rib_mm=0.6 * size, veins=6, slant=0.8, vein_strength=0.42, puckered=0.5, gloss=0.55,
    )  # fmt: skip
    leaves = []
    for turn in pair_turns(rng):
        length, half = rng.uniform(15, 21) * size, rng.uniform(2.6, 3.5) * size
        young = Skin(
            base=between(green, red, 0.2), tip=between(green, (110, 140, 70), 0.4),
            rib=between(red, green, 0.4), stalk=red, rib_mm=0.3, veins=0, gloss=0.4,
        )  # fmt: skip
        shapes = [blade(length, half, oval(0.45, 1.5), rng), stalk(5, 0.8)]
        leaves.append(lay(shapes, length, half, young, turn, (1.0, 4.0), rng, off_mm=5.0, bend=0.1))
    count = count_of(bbch)
    across = rng.normal(np.pi / 2, 0.2)
    largest = min(24 + 5.5 * count, 72) * size
    for order in range(count):
        length = largest * grown(order, count) * rng.uniform(0.9, 1.12)
        half = length * rng.uniform(0.27, 0.36)
        petiole = length * rng.uniform(0.35, 0.75)
        profile = oval(rng.uniform(0.30, 0.40), 1.35)
        shapes = [blade(length, half, profile, rng, wavy=0.05)]
        shapes.append(stalk(petiole, 0.85 * size + 0.25))
        paired = across + (order % 2) * np.pi + (order // 2) * 1.05
        heights = (1.0 + 0.5 * order, 10 + 16 * grown(order, count) * size + order)
        leaves.append(
            lay(shapes, length, half, skin, paired + rng.normal(0, 0.15), heights, rng,
                off_mm=petiole + 1, bend=0.1, fold=0.5)
        )  # fmt: skip
    return leaves
