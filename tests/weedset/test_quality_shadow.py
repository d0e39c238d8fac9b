"""Shadow: a dark region that hangs together, and not what merely is of two colours."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from weedset.quality import measure

SIDE, ROWS, COLS = 64, 6, 8
Picture = NDArray[np.uint8]


def soil(seed: int = 0) -> Picture:
    """Evenly lit soil with clods: blotches some mm wide, and grain."""
    rng = np.random.default_rng(seed)
    grain = rng.normal(0, 8, (ROWS * SIDE, COLS * SIDE, 1))
    clods = np.kron(rng.normal(0, 10, (ROWS * SIDE // 8, COLS * SIDE // 8, 1)), np.ones((8, 8, 1)))
    return np.clip(np.array([120, 100, 80]) + grain + clods, 0, 255).astype(np.uint8)


def dimmed(pixels: Picture, share: float) -> Picture:
    """Leave `share` of the light. Source: the sRGB transfer function, IEC 61966-2-1."""
    coded = pixels / 255
    linear = np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4) * share
    coded = np.where(linear <= 0.0031308, linear * 12.92, 1.055 * linear ** (1 / 2.4) - 0.055)
    return np.round(coded * 255).astype(np.uint8)


def strewn(picture: Picture, colour: tuple[int, int, int], count: int, radius: int) -> Picture:
    rng = np.random.default_rng(7)
    y, x = np.ogrid[: picture.shape[0], : picture.shape[1]]
    for cy, cx in rng.uniform((0, 0), picture.shape[:2], (count, 2)):
        picture[(y - cy) ** 2 + (x - cx) ** 2 < radius**2] = colour
    return picture


def shadow(picture: Picture) -> float:
    return measure(picture, np.ones((ROWS, COLS), dtype=bool), SIDE)[1].shadow


# The sky alone gives a tenth to a third of the light of sun and sky (from memory).
@pytest.mark.parametrize("left", [0.1, 0.2, 0.33])
def test_a_hard_shadow_in_a_corner_is_found(left: float) -> None:
    picture = soil()
    y, x = np.ogrid[: picture.shape[0], : picture.shape[1]]
    corner = x / picture.shape[1] + y / picture.shape[0] > 1.4
    picture[corner] = dimmed(picture[corner], left)
    assert shadow(picture) == pytest.approx(corner.mean(), abs=0.03)


def test_leaves_across_do_not_cut_a_shadow_or_the_light_into_pieces() -> None:
    picture = soil()
    picture[:, : 3 * SIDE] = dimmed(picture[:, : 3 * SIDE], 0.2)
    for row in range(0, ROWS, 2):
        picture[row * SIDE : row * SIDE + 24] = (60, 120, 40)
    assert shadow(picture) == pytest.approx(3 / 8 * (1 - 24 * 3 / (ROWS * SIDE)), abs=0.03)


@pytest.mark.parametrize("radius", [3, 8, 16, 30])
def test_pale_stones_on_dark_soil_are_no_light_in_a_shadow(radius: int) -> None:
    assert shadow(strewn(soil() // 2, (200, 195, 185), 2200 // radius**2 + 6, radius)) == 0


@pytest.mark.parametrize("radius", [3, 8, 16, 30])
def test_dark_stones_are_no_shadow(radius: int) -> None:
    assert shadow(strewn(soil(), (40, 38, 36), 2200 // radius**2 + 6, radius)) == 0


def test_one_pale_stone_does_not_put_the_rest_into_shadow() -> None:
    picture = soil() // 2
    picture[100:200, 200:330] = (200, 195, 185)
    assert shadow(picture) == 0


def test_what_is_dark_all_over_is_not_in_shadow() -> None:
    assert shadow(dimmed(soil(), 0.1)) == 0
