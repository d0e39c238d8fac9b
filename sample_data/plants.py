"""Plants of a drawn scene: what stands where, and the leaves that it has at its growth stage.

Stages are BBCH codes: 10 cotyledons unfolded, 12 two true leaves, 14, 16, and so on; grasses
count leaves the same way and tiller from 21.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from sample_data import crops, weeds
from sample_data.forms import Rng
from sample_data.leaves import Leaf, foot_mm, place


@dataclass(frozen=True)
class Plant:
    """One plant: EPPO code, BBCH stage, where it stands (mm), how it is turned, and its size.

    ``size`` scales the whole plant, 1 being usual. ``look`` (0 to 1) picks the variety and
    ``seed`` everything else about it.
    """

    code: str
    bbch: int
    x_mm: float
    y_mm: float
    rotation_deg: float
    size: float
    look: float
    seed: int


_GROW: dict[str, Callable[[int, float, float, Rng], list[Leaf]]] = {
    "DAUCS": crops.carrot,
    "LACSA": crops.lettuce,
    "BEAVX": crops.beet,
    "CHEAL": weeds.fat_hen,
    "STEME": weeds.chickweed,
    "POAAN": weeds.meadow_grass,
    "TAROF": weeds.dandelion,
    "CAPBP": weeds.shepherds_purse,
    "SENVU": weeds.groundsel,
    "PLAMA": weeds.plantain,
}


@lru_cache(maxsize=512)
def leaves_of(plant: Plant) -> tuple[Leaf, ...]:
    """The leaves of a plant, lowest first, as seen from its middle.

    Raises KeyError for a code that no form is known for.
    """
    rng = np.random.default_rng([plant.seed, 5])
    turned = np.radians(plant.rotation_deg)
    leaves = [
        _turned(leaf, float(turned))
        for leaf in _GROW[plant.code](plant.bbch, plant.size, plant.look, rng)
    ]
    return tuple(sorted(leaves, key=lambda leaf: leaf.middle_height_mm))


@lru_cache(maxsize=512)
def radius_mm(plant: Plant) -> float:
    """Distance on the ground from the plant's middle to the outermost point of its leaves."""
    reach = [
        float(np.hypot(*place(leaf, np.concatenate(leaf.shapes), foot_mm(leaf))[0].T).max())
        for leaf in leaves_of(plant)
    ]
    return max(reach)


def height_mm(plant: Plant) -> float:
    """Height of the highest leaf tip above the ground."""
    return max(max(leaf.low_mm, leaf.high_mm) for leaf in leaves_of(plant))


def _turned(leaf: Leaf, angle_rad: float) -> Leaf:
    cos, sin = np.cos(angle_rad), np.sin(angle_rad)
    x, y = leaf.base_mm
    base = (float(x * cos - y * sin), float(x * sin + y * cos))
    return Leaf(**{**vars(leaf), "base_mm": base, "turn_rad": leaf.turn_rad + angle_rad})
