"""Outlines of leaves in their own frame: x from the base of the blade (0) to its tip, in mm.

Forms are invented from general botany (ovate, rhombic, runcinate, pinnate), not traced.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Rng = np.random.Generator
Profile = Callable[[Floats], Floats]


@dataclass(frozen=True)
class Teeth:
    """Teeth or lobes along a margin.

    ``depth`` is the share of the half width cut away between teeth at the ``deepest`` place along
    the blade (0 base, 1 tip); ``lean`` above 0 points them back to the base; ``blunt`` from 0
    (pointed) to 1 (round).
    """

    count: float
    depth: float
    lean: float = 0.0
    blunt: float = 0.5
    deepest: float = 0.4
    ragged: float = 0.15


def oval(widest: float, fullness: float = 1.0) -> Profile:
    """Half width (0 to 1) of a blade that is widest at a place along it; above 1 is fuller."""
    low, high = widest / fullness, (1 - widest) / fullness
    peak = widest ** (low) * (1 - widest) ** (high)

    def profile(along: Floats) -> Floats:
        return np.asarray(along**low * (1 - along) ** high / peak)

    return profile


def rhombic(widest: float) -> Profile:
    """Half width of a four-cornered blade with softened corners."""

    def profile(along: Floats) -> Floats:
        straight = np.minimum(along / widest, (1 - along) / (1 - widest))
        return np.asarray(np.sin(np.clip(straight, 0, 1) * np.pi / 2) ** 0.9 * 0.5 + straight * 0.5)

    return profile


def blade(
    length_mm: float,
    half_width_mm: float,
    profile: Profile,
    rng: Rng,
    teeth: Teeth | None = None,
    wavy: float = 0.0,
) -> Floats:
    """Closed outline (n, 2) in mm of one blade, its two sides a little different."""
    corners = 28 if teeth is None else 72
    along = (1 - np.cos(np.linspace(0, np.pi, corners))) / 2
    if teeth is not None:
        along = 0.6 * along + 0.4 * np.linspace(0, 1, corners)
    sides = []
    for side in (1.0, -1.0):
        half = profile(along) * half_width_mm * (1 + rng.normal(0, 0.04))
        if teeth is not None:
            half = half * _toothed(along, teeth, rng)
        if wavy > 0:
            waves = rng.uniform(5, 9)
            half = half * (1 + wavy * np.sin(along * waves * np.pi + rng.uniform(0, 6.3)))
        x = along * length_mm
        if teeth is not None:
            fade = np.clip((1 - along) * 4, 0, 1) * np.clip(along * 6, 0, 1)
            x = x - teeth.lean * half * fade
        sides.append(np.stack([x, side * half], axis=-1))
    return np.concatenate([sides[0], sides[1][::-1]])


def _toothed(along: Floats, teeth: Teeth, rng: Rng) -> Floats:
    """Share of the half width that is left along a toothed margin."""
    wander = np.interp(along, np.linspace(0, 1, 6), rng.normal(0, teeth.ragged, 6))
    phase = (along * teeth.count + wander + rng.uniform(0, 0.3)) % 1.0
    sharp = 1 - np.abs(2 * phase - 1)
    tooth = sharp**1.4 * (1 - teeth.blunt) + np.sqrt(sharp) * teeth.blunt
    where = np.exp(-(((along - teeth.deepest) / 0.42) ** 2))
    uneven = np.interp(along, np.linspace(0, 1, 7), rng.uniform(0.75, 1.1, 7))
    return np.asarray(1 - np.clip(teeth.depth * where * uneven, 0, 0.93) * (1 - tooth))


def strip(start: tuple[float, float], end: tuple[float, float], wide: float, thin: float) -> Floats:
    """Tapering strip (4, 2) from start to end, with half widths ``wide`` and ``thin``, in mm."""
    a, b = np.array(start, dtype=np.float64), np.array(end, dtype=np.float64)
    run = b - a
    side = np.array([-run[1], run[0]]) / max(float(np.hypot(*run)), 1e-9)
    return np.stack([a + side * wide, b + side * thin, b - side * thin, a - side * wide])


def stalk(length_mm: float, half_width_mm: float) -> Floats:
    """Leaf stalk (4, 2) that ends a little inside the blade."""
    return strip((-length_mm, 0.0), (1.5, 0.0), half_width_mm * 1.25, half_width_mm)


def feathered(length_mm: float, half_width_mm: float, fine_mm: float, rng: Rng) -> list[Floats]:
    """Twice pinnate blade: a thin midrib, side ribs, and narrow lobes on those; many outlines."""
    shapes = [strip((0, 0), (length_mm, 0), fine_mm * 0.55, fine_mm * 0.3)]
    pairs = max(3, round(length_mm / 7.5))
    for pair in range(pairs):
        place = (pair + 0.6) / (pairs + 0.2)
        reach = half_width_mm * np.sin(np.pi * (0.22 + 0.70 * place)) ** 0.8
        for side in (1.0, -1.0):
            at = (length_mm * (place + rng.normal(0, 0.015)), 0.0)
            angle = side * rng.normal(0.95 - 0.35 * place, 0.08)
            shapes += _pinna(at, angle, reach * rng.uniform(0.85, 1.12), fine_mm, rng)
    shapes += _pinna((length_mm * 0.97, 0.0), rng.normal(0, 0.1), half_width_mm * 0.4, fine_mm, rng)
    return shapes


def _pinna(
    at: tuple[float, float], angle: float, reach_mm: float, fine_mm: float, rng: Rng
) -> list[Floats]:
    heading = np.array([np.cos(angle), np.sin(angle)])
    start = np.array(at)
    shapes = [_lobe(start, angle, reach_mm, fine_mm)]
    lobes = max(1, round(reach_mm / 3.2))
    for number in range(lobes):
        place = (number + 0.8) / (lobes + 0.7)
        size = reach_mm * 0.52 * (1.05 - place) + fine_mm * 1.6
        for side in (1.0, -1.0):
            turned = angle + side * rng.normal(0.72, 0.10)
            shapes.append(_lobe(start + heading * reach_mm * place, turned, size, fine_mm * 0.9))
    return shapes


def _lobe(start: Floats, angle: float, length_mm: float, fine_mm: float) -> Floats:
    """Narrow pointed lobe (6, 2)."""
    along = np.array([0.0, 0.35, 0.75, 1.0, 0.75, 0.35]) * length_mm
    across = np.array([0.35, 0.62, 0.55, 0.0, -0.55, -0.62]) * fine_mm
    cos, sin = np.cos(angle), np.sin(angle)
    return np.stack([along * cos - across * sin, along * sin + across * cos], axis=-1) + start


def bites(outline: Floats, rng: Rng, count: int) -> list[Floats]:
    """Ragged holes (8, 2), some at the margin, where something has eaten of a blade."""
    holes = []
    size = float(np.ptp(outline[:, 1])) / 2
    for _ in range(count):
        corner = outline[rng.integers(len(outline))]
        place = corner * np.array([1.0, rng.uniform(0.2, 1.0)])
        angle = np.arange(8) * np.pi / 4
        radius = size * rng.uniform(0.10, 0.30) * (1 + rng.normal(0, 0.2, 8))
        holes.append(place + np.stack([np.cos(angle), np.sin(angle)], axis=-1) * radius[:, None])
    return holes
