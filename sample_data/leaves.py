"""One leaf of a drawn plant: its outlines, how it lies, and its skin."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sample_data.light import Rgb

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Skin:
    """How a leaf looks. Colours are sRGB; strengths run from 0 to 1.

    ``rib_mm`` is the half width of the midrib (0: none), ``veins`` the number of side veins,
    ``slant`` how far they run forward. ``parallel`` veins run along the blade instead.
    ``puckered`` bulges between veins, ``frill`` ripples the margin, ``mealy`` dusts it white.
    """

    base: Rgb
    tip: Rgb
    rib: Rgb
    stalk: Rgb
    rib_mm: float = 0.5
    veins: int = 6
    slant: float = 0.7
    vein_strength: float = 0.3
    parallel: bool = False
    puckered: float = 0.2
    frill: float = 0.0
    mealy: float = 0.0
    gloss: float = 0.2
    blotch: Rgb = (150, 140, 60)
    blotched: float = 0.0


@dataclass(frozen=True)
class Leaf:
    """A leaf in its own frame (mm, x from the base of the blade to the tip) and its place.

    ``shapes`` are painted, then ``holes`` cut out of them. ``base_mm`` is where x = 0 lies, seen
    from the middle of the plant; ``turn_rad`` the direction of the tip; ``bend`` the sideways
    shift of the tip as a share of the length. Heights rise evenly from ``low_mm`` at the stalk's
    foot to ``high_mm`` at the tip. ``fold`` creases the blade along its midrib (below 0: gutter).
    """

    shapes: tuple[Floats, ...]
    length_mm: float
    half_width_mm: float
    skin: Skin
    base_mm: tuple[float, float]
    turn_rad: float
    bend: float = 0.0
    low_mm: float = 1.0
    high_mm: float = 6.0
    fold: float = 0.3
    droop: float = 0.3
    holes: tuple[Floats, ...] = ()

    @property
    def middle_height_mm(self) -> float:
        """Half way up: what decides which leaf is painted first."""
        return (self.low_mm + self.high_mm) / 2


def foot_mm(leaf: Leaf) -> float:
    """Where the leaf begins in its own frame: 0, or below 0 by the length of its stalk."""
    return min(float(shape[:, 0].min()) for shape in leaf.shapes)


def place(leaf: Leaf, outline: Floats, foot: float) -> tuple[Floats, Floats]:
    """Points (n, 2) in mm seen from the middle of the plant, and heights (n,) in mm.

    ``outline`` is in the leaf's frame; ``foot`` is the leaf's ``foot_mm``.
    """
    x, y = outline[:, 0], outline[:, 1]
    y = y + leaf.bend * x * np.abs(x) / leaf.length_mm
    cos, sin = np.cos(leaf.turn_rad), np.sin(leaf.turn_rad)
    points = np.stack([x * cos - y * sin, x * sin + y * cos], axis=-1) + np.array(leaf.base_mm)
    rise = np.clip((x - foot) / max(leaf.length_mm - foot, 1e-9), 0, 1)
    return points, leaf.low_mm + (leaf.high_mm - leaf.low_mm) * rise
