"""Leaf forms of the drawn weeds."""

from __future__ import annotations

import numpy as np

from sample_data.forms import GOLDEN_RAD, Rng, between, count_of, grown, lay, pair_turns
from sample_data.leaves import Leaf, Skin
from sample_data.light import Rgb
from sample_data.outlines import Teeth, blade, oval, rhombic, stalk, strip


def _cotyledons(
    length_mm: float, slim: float, skin: Skin, rng: Rng, off_mm: float = 2.0, widest: float = 0.5
) -> list[Leaf]:
    """Two simple leaves opposite each other, ``slim`` times as long as wide."""
    leaves = []
    for turn in pair_turns(rng):
        length = length_mm * rng.uniform(0.85, 1.15)
        half = length / slim / 2
        shapes = [blade(length, half, oval(widest, 1.7), rng), stalk(off_mm, max(0.3, half * 0.2))]
        leaves.append(lay(shapes, length, half, skin, turn, (0.8, 2.2), rng, off_mm=off_mm))
    return leaves


def fat_hen(bbch: int, size: float, look: float, rng: Rng) -> list[Leaf]:
    """Rhombic toothed leaves, mealy in the middle; pairs first, then singly."""
    green = between((96, 126, 84), (78, 116, 66), look)
    pink: Rgb = between((150, 112, 122), (128, 136, 104), rng.random())
    skin = Skin(
        base=green, tip=between(green, (120, 140, 92), 0.4), rib=(150, 160, 124), stalk=pink,
        rib_mm=0.3, veins=4, slant=1.0, vein_strength=0.3, puckered=0.3, mealy=0.25, gloss=0.05,
    )  # fmt: skip
    leaves = _cotyledons(9.5 * size, 4.0, skin, rng, 2.5)
    count = count_of(bbch)
    largest = (11 + 3.4 * count) * size
    for order in range(count):
        length = largest * grown(order, count) * rng.uniform(0.9, 1.1)
        half = length * rng.uniform(0.27, 0.36)
        teeth = Teeth(5.5, 0.32, lean=-0.25, blunt=0.25, deepest=0.42) if order > 1 else None
        shapes = [blade(length, half, rhombic(rng.uniform(0.34, 0.42)), rng, teeth)]
        petiole = length * 0.42
        shapes.append(stalk(petiole, 0.5))
        if order < 4:
            turn = np.pi / 2 * (1 + order // 2 % 2 + 1) + np.pi * (order % 2)
        else:
            turn = order * GOLDEN_RAD
        mealy = Skin(**{**vars(skin), "mealy": 0.12 + 0.6 * order / max(count, 4)})
        heights = (1.5 + 1.6 * order, 4 + 2.0 * order)
        leaves.append(
            lay(shapes, length, half, mealy, turn + rng.normal(0, 0.15), heights, rng,
                off_mm=petiole, eaten=0.08)
        )  # fmt: skip
    return leaves


def chickweed(bbch: int, size: float, look: float, rng: Rng) -> list[Leaf]:
    """Small pointed ovate leaves in crossed pairs along sprawling stems; starry white flowers."""
    green = between((112, 152, 66), (92, 138, 60), look)
    skin = Skin(
        base=green, tip=between(green, (140, 172, 92), 0.3), rib=(146, 172, 100),
        stalk=(140, 152, 92), rib_mm=0.22, veins=0, gloss=0.3,
    )  # fmt: skip
    leaves = _cotyledons(6.5 * size, 2.3, skin, rng, 3.0, 0.4)
    pairs = max(0, (count_of(bbch) + 1) // 2)
    for shoot in range(1 if bbch < 20 else int(rng.integers(4, 8))):
        leaves += _chickweed_shoot(shoot, min(pairs, 6), bbch, size, skin, rng)
    return leaves


def _chickweed_shoot(
    shoot: int, pairs: int, bbch: int, size: float, skin: Skin, rng: Rng
) -> list[Leaf]:
    leaves: list[Leaf] = []
    heading = shoot * GOLDEN_RAD + rng.normal(0, 0.2)
    at = np.zeros(2)
    stem = Skin(**{**vars(skin), "base": (142, 148, 86), "tip": (128, 140, 80), "rib_mm": 0.0})
    for pair in range(pairs):
        step = (0.0 if shoot == 0 and bbch < 20 else rng.uniform(7, 12)) * size
        onward = at + step * np.array([np.cos(heading), np.sin(heading)])
        high = 2.0 + 1.4 * pair
        if step > 0:
            shapes = [strip((0, 0), (step, 0), 0.55, 0.5)]
            leaves.append(
                lay(shapes, step, 0.6, stem, heading, (high - 1.4, high - 0.6), rng,
                    at_mm=(float(at[0]), float(at[1])), bend=0.02, eaten=0)
            )  # fmt: skip
        at = onward
        length = (6.0 + 6.5 * np.sin(np.pi * (0.25 + 0.75 * pair / max(pairs, 1)))) * size
        across = heading + np.pi / 2 * (pair + 1)
        for turn in (across, across + np.pi):
            half = length * rng.uniform(0.28, 0.36)
            petiole = length * (0.7 if pair < 2 else 0.25)
            shapes = [blade(length, half, oval(0.36, 1.25), rng), stalk(petiole, 0.35)]
            leaves.append(
                lay(shapes, length, half, skin, turn + rng.normal(0, 0.25), (high, high + 1.2), rng,
                    off_mm=petiole, at_mm=(float(at[0]), float(at[1])), eaten=0.02)
            )  # fmt: skip
        heading += rng.normal(0, 0.3)
    if bbch >= 60 and rng.random() < 0.7:
        leaves += _star(at, 3.0 + 1.4 * pairs + 3, size, rng)
    return leaves


def _star(
    at: np.ndarray[tuple[int], np.dtype[np.float64]], high: float, size: float, rng: Rng
) -> list[Leaf]:
    """A white flower of five petals, each cleft almost to its base."""
    white = Skin((236, 236, 228), (246, 246, 242), (220, 224, 200), (120, 150, 70), 0.0, 0, gloss=0)
    leaves = []
    for petal in range(10):
        turn = (petal // 2) * 2 * np.pi / 5 + (petal % 2) * 0.42
        shapes = [blade(3.6 * size, 0.6 * size, oval(0.6, 1.4), rng)]
        leaves.append(
            lay(shapes, 3.6 * size, 0.6 * size, white, turn, (high, high + 0.3), rng,
                off_mm=0.6, at_mm=(float(at[0]), float(at[1])), bend=0.0, eaten=0)
        )  # fmt: skip
    return leaves


def meadow_grass(bbch: int, size: float, look: float, rng: Rng) -> list[Leaf]:
    """Tuft of narrow blades with boat-shaped tips and a pale double line along the middle."""
    green = between((112, 152, 62), (88, 132, 60), look)
    skin = Skin(
        base=between(green, (150, 164, 96), 0.4), tip=green, rib=(146, 176, 96),
        stalk=(150, 160, 110), rib_mm=0.30, veins=2, vein_strength=0.18, parallel=True, gloss=0.25,
    )  # fmt: skip
    blades = max(1, bbch - 10) if bbch < 20 else int(9 + 3.0 * (bbch - 20) + rng.integers(0, 6))
    leaves = []
    first = rng.uniform(0, 2 * np.pi)
    for order in range(blades):
        length = rng.uniform(20, 44 if bbch < 20 else 58) * size * (0.6 if order == 0 else 1)
        half = rng.uniform(0.75, 1.35) * size**0.5
        turn = first + order * np.pi * 0.94 + rng.normal(0, 0.45)
        root = rng.normal(0, 1.5 if bbch < 20 else 4.0, 2)
        shapes = [blade(length, half, oval(0.42, 3.4), rng)]
        high = rng.uniform(4, 20) * size
        leaves.append(
            lay(shapes, length, half, skin, turn, (1 + 0.1 * order, high), rng,
                at_mm=(float(root[0]), float(root[1])), bend=0.22, fold=0.5, eaten=0.0)
        )  # fmt: skip
    return leaves


def dandelion(bbch: int, size: float, look: float, rng: Rng) -> list[Leaf]:
    """Flat rosette; the teeth of its leaves point back to the base; pale or reddish midrib."""
    green = between((82, 126, 54), (70, 112, 54), look)
    rib: Rgb = between((176, 188, 134), (158, 104, 106), float(rng.beta(1, 2)))
    skin = Skin(
        base=green, tip=between(green, (100, 140, 62), 0.5), rib=rib, stalk=rib,
        rib_mm=0.55 * size, veins=7, slant=-0.3, vein_strength=0.16, puckered=0.35, gloss=0.3,
    )  # fmt: skip
    leaves = _cotyledons(7.0 * size, 1.6, skin, rng, 2.5, 0.55)
    count = count_of(bbch)
    first = rng.uniform(0, 2 * np.pi)
    largest = min(16 + 7.5 * count, 105) * size
    for order in range(count):
        length = largest * grown(order, count) * rng.uniform(0.9, 1.1)
        young = length < 26 * size
        half = length * (rng.uniform(0.2, 0.26) if young else rng.uniform(0.15, 0.205))
        depth = 0.3 if young else rng.uniform(0.78, 0.97)
        lobes = 4.0 if young else rng.uniform(4.5, 6.5)
        teeth = Teeth(lobes, depth, lean=0.8, blunt=0.05, deepest=0.44)
        shapes = [blade(length, half, oval(rng.uniform(0.68, 0.76), 0.8), rng, teeth)]
        shapes.append(stalk(length * 0.12, 0.7 * size))
        heights = (1.0 + 0.3 * order, 3.0 + 0.5 * order + 3 * grown(order, count))
        turn = first + order * GOLDEN_RAD + rng.normal(0, 0.15)
        leaves.append(
            lay(shapes, length, half, skin, turn, heights, rng, off_mm=length * 0.1, bend=0.08)
        )
    if bbch >= 60:
        leaves += _dandelion_flower(largest, size, rng)
    return leaves


def _dandelion_flower(spread_mm: float, size: float, rng: Rng) -> list[Leaf]:
    yellow = Skin((224, 160, 20), (244, 204, 44), (214, 150, 20), (226, 170, 30), 0.15, 0, gloss=0)
    angle, away = rng.uniform(0, 2 * np.pi), rng.uniform(0.05, 0.45) * spread_mm
    at = (float(away * np.cos(angle)), float(away * np.sin(angle)))
    leaves = []
    for ring, (rays, length) in enumerate(((22, 15.0), (18, 11.0), (14, 7.0))):
        for ray in range(rays):
            long = length * size * rng.uniform(0.85, 1.1)
            shapes = [blade(long, 1.1 * size, oval(0.75, 3.0), rng)]
            turn = (ray + rng.uniform(-0.3, 0.3)) * 2 * np.pi / rays
            high = 16.0 + 1.5 * ring
            leaves.append(
                lay(shapes, long, 1.1 * size, yellow, turn, (high, high + 0.5), rng,
                    at_mm=at, bend=0.03, eaten=0)
            )  # fmt: skip
    return leaves


def shepherds_purse(bbch: int, size: float, look: float, rng: Rng) -> list[Leaf]:
    """Rosette; first leaves whole, later ones cut into narrow lobes that stand square."""
    green = between((94, 130, 70), (80, 118, 68), look)
    skin = Skin(
        base=green, tip=between(green, (118, 146, 86), 0.4), rib=(150, 164, 116),
        stalk=(146, 148, 112), rib_mm=0.35 * size, veins=6, slant=0.4, vein_strength=0.2,
        puckered=0.25, gloss=0.08,
    )  # fmt: skip
    leaves = _cotyledons(4.5 * size, 1.7, skin, rng, 2.0, 0.55)
    count = count_of(bbch)
    first = rng.uniform(0, 2 * np.pi)
    largest = min(10 + 5.5 * count, 70) * size
    for order in range(count):
        length = largest * grown(order, count) * rng.uniform(0.9, 1.1)
        whole = order < 3
        half = length * (rng.uniform(0.24, 0.3) if whole else rng.uniform(0.18, 0.24))
        teeth = Teeth(7.5, 0.98, lean=-0.2, blunt=0.75, deepest=0.45)
        if whole:
            teeth = Teeth(4.0, 0.15, blunt=0.6, deepest=0.6)
        shapes = [blade(length, half, oval(0.66, 1.0), rng, teeth), stalk(length * 0.3, 0.5)]
        heights = (1.0 + 0.3 * order, 2.5 + 0.5 * order + 2 * grown(order, count))
        turn = first + order * GOLDEN_RAD + rng.normal(0, 0.15)
        leaves.append(
            lay(shapes, length, half, skin, turn, heights, rng, off_mm=length * 0.28, bend=0.06)
        )
    return leaves


def groundsel(bbch: int, size: float, look: float, rng: Rng) -> list[Leaf]:
    """Rather thick shining leaves, blunt and unevenly lobed; cotyledons narrow, purplish below."""
    green = between((78, 122, 66), (92, 132, 64), look)
    purple: Rgb = between(green, (112, 74, 92), float(rng.uniform(0, 0.6)))
    skin = Skin(
        base=between(green, purple, 0.35), tip=green, rib=(138, 160, 110), stalk=purple,
        rib_mm=0.45 * size, veins=5, slant=0.5, vein_strength=0.15, puckered=0.5, gloss=0.4,
    )  # fmt: skip
    leaves = _cotyledons(8.5 * size, 3.2, skin, rng, 3.0)
    count = count_of(bbch)
    first = rng.uniform(0, 2 * np.pi)
    largest = min(13 + 4.8 * count, 62) * size
    for order in range(count):
        length = largest * grown(order, count) * rng.uniform(0.9, 1.1)
        half = length * rng.uniform(0.20, 0.27)
        teeth = Teeth(
            3.6, 0.75 if order > 1 else 0.3, lean=-0.1, blunt=0.9, deepest=0.5, ragged=0.3
        )
        shapes = [blade(length, half, oval(0.6, 1.1), rng, teeth), stalk(length * 0.15, 0.6)]
        heights = (1.5 + 0.9 * order, 4.0 + 1.4 * order)
        turn = first + order * GOLDEN_RAD + rng.normal(0, 0.2)
        leaves.append(
            lay(shapes, length, half, skin, turn, heights, rng, off_mm=length * 0.12, bend=0.08)
        )
    return leaves


def plantain(bbch: int, size: float, look: float, rng: Rng) -> list[Leaf]:
    """Flat rosette of broad ovate leaves with strong veins along the blade."""
    green = between((96, 136, 62), (80, 122, 58), look)
    skin = Skin(
        base=green, tip=between(green, (110, 148, 74), 0.4), rib=(142, 166, 98),
        stalk=(152, 160, 108), rib_mm=0.3, veins=2, vein_strength=0.4, parallel=True,
        puckered=0.9, gloss=0.3,
    )  # fmt: skip
    leaves = _cotyledons(8.0 * size, 4.5, skin, rng, 1.5)
    count = count_of(bbch)
    first = rng.uniform(0, 2 * np.pi)
    largest = min(14 + 5.0 * count, 60) * size
    for order in range(count):
        length = largest * grown(order, count) * rng.uniform(0.9, 1.1)
        half = length * rng.uniform(0.3, 0.38)
        petiole = length * rng.uniform(0.3, 0.55)
        shapes = [blade(length, half, oval(0.42, 1.5), rng, wavy=0.03), stalk(petiole, 0.9 * size)]
        heights = (1.0 + 0.4 * order, 3.0 + 0.6 * order + 2 * grown(order, count))
        turn = first + order * GOLDEN_RAD + rng.normal(0, 0.2)
        leaves.append(
            lay(shapes, length, half, skin, turn, heights, rng, off_mm=petiole, eaten=0.15)
        )
    return leaves
