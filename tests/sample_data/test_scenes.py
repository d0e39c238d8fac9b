"""Drawn pictures against the camera that drew them: position, scale, mask, repetition."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sample_data.camera import Camera, ground_to_pixel
from sample_data.develop import Sensor
from sample_data.grounds import Ground, Kind
from sample_data.leaves import Leaf, Skin
from sample_data.light import Light
from sample_data.noise import Raster
from sample_data.paint import Canvas, paint_leaf
from sample_data.plants import Plant, leaves_of, radius_mm
from sample_data.scenes import Scene, draw
from sample_data.species import SPECIES, VALUE_OF_CODE

CAMERA = Camera(400, 300, 1000.0, 400.0)
LIGHT = Light(215, 45, 0.6)
PLAIN = Skin((90, 130, 60), (90, 130, 60), (90, 130, 60), (90, 130, 60))


def disc(radius_mm: float, height_mm: float) -> Leaf:
    angle = np.linspace(0, 2 * np.pi, 90, endpoint=False)
    outline = np.stack([np.cos(angle), np.sin(angle)], axis=-1) * radius_mm
    return Leaf((outline,), radius_mm, radius_mm, PLAIN, (0.0, 0.0), 0.4, 0.0, height_mm, height_mm)


@pytest.mark.parametrize("height_mm", [0.0, 25.0])
@pytest.mark.parametrize("centre_mm", [(0.0, 0.0), (-41.37, 22.83), (50.11, -38.4)])
def test_a_disc_lies_where_the_camera_sees_it(
    centre_mm: tuple[float, float], height_mm: float
) -> None:
    x0, y0 = CAMERA.principal_point_px
    raster = Raster(400, 300, x0, y0, CAMERA.gsd_mm_per_px)
    size = (300, 400)
    canvas = Canvas(
        raster,
        CAMERA.height_mm,
        np.full((3, *size), 0.2, dtype=np.float32),
        np.zeros(size, dtype=np.uint8),
        np.zeros(size, dtype=np.float32),
    )
    paint_leaf(canvas, disc(12.0, height_mm), centre_mm, 9, LIGHT)
    rows, cols = np.nonzero(canvas.mask == 9)
    expected = ground_to_pixel(CAMERA, centre_mm, height_mm)
    assert np.hypot(cols.mean() - expected[0], rows.mean() - expected[1]) < 0.3
    scale = CAMERA.focal_px / (CAMERA.height_mm - height_mm)
    assert len(rows) == pytest.approx(np.pi * (12.0 * scale) ** 2, rel=0.02)


def scene(kind: Kind = "soil") -> Scene:
    plants = tuple(
        Plant(species.code, 13, -60 + 24 * (n % 5), -35 + 60 * (n // 5), 40 * n, 0.7, 0.4, n)
        for n, species in enumerate(SPECIES[:10])
    )
    return Scene("nowhere", Ground(kind, (112, 86, 66), (160, 152, 140)), plants, LIGHT,
                 Sensor(), 4)  # fmt: skip


def test_two_draws_are_the_same_and_another_seed_is_not() -> None:
    picture, mask = draw(scene(), CAMERA)
    again, mask_again = draw(scene(), CAMERA)
    np.testing.assert_array_equal(picture, again)
    np.testing.assert_array_equal(mask, mask_again)
    other, _ = draw(replace(scene(), seed=5), CAMERA)
    assert np.abs(picture.astype(int) - other).mean() > 3


@pytest.mark.parametrize("kind", ["soil", "mulch", "lawn"])
def test_the_mask_holds_the_values_of_the_table(kind: Kind) -> None:
    picture, mask = draw(scene(kind), CAMERA)
    assert picture.shape == (300, 400, 3)
    assert picture.dtype == mask.dtype == np.uint8
    planted = {VALUE_OF_CODE[plant.code] for plant in scene().plants}
    cover = VALUE_OF_CODE["LOLPE"] if kind == "lawn" else 0
    assert set(np.unique(mask).tolist()) == planted | {cover}


def test_the_table_of_values_never_moves() -> None:
    codes = ["DAUCS", "LACSA", "BEAVX", "CHEAL", "STEME", "POAAN", "TAROF", "CAPBP", "SENVU"]
    codes += ["PLAMA", "LOLPE"]
    assert [species.code for species in SPECIES] == codes
    assert [species.value for species in SPECIES] == list(range(1, 12))


@pytest.mark.parametrize("code", [species.code for species in SPECIES[:10]])
@pytest.mark.parametrize("bbch", [10, 12, 14, 17, 22])
def test_every_species_grows_within_its_radius(code: str, bbch: int) -> None:
    plant = Plant(code, bbch, 0.0, 0.0, 30.0, 1.0, 0.3, 8)
    assert len(leaves_of(plant)) >= 1
    assert 2 < radius_mm(plant) < 330
    _, mask = draw(replace(scene(), plants=(plant,)), replace(CAMERA, focal_px=300.0))
    rows, cols = np.nonzero(mask)
    assert len(rows) > 0
    highest = max(leaf.high_mm for leaf in leaves_of(plant))
    reach_px = radius_mm(plant) * 300.0 / (CAMERA.height_mm - highest)
    assert np.hypot(cols - 199.5, rows - 149.5).max() <= reach_px + 1.0


def test_the_ground_keeps_its_scale_when_the_camera_rises() -> None:
    low, _ = draw(replace(scene(), plants=()), CAMERA)
    high, _ = draw(replace(scene(), plants=()), replace(CAMERA, height_mm=800.0))
    half = low.reshape(150, 2, 200, 2, 3).mean(axis=(1, 3)).mean(axis=-1)
    middle = high[75:225, 100:300].astype(float).mean(axis=-1)
    assert np.corrcoef(half.ravel(), middle.ravel())[0, 1] > 0.6


def test_a_tilted_camera_sees_the_plants_where_it_should() -> None:
    camera = replace(CAMERA, pitch_deg=5.0, roll_deg=-4.0, k1=-0.08, p1=0.001)
    plant = Plant("PLAMA", 10, 21.0, -17.0, 10.0, 1.6, 0.5, 3)
    bare = replace(scene(), plants=(plant,))
    _, straight = draw(bare, CAMERA)
    _, tilted = draw(bare, camera)
    rows, cols = np.nonzero(straight)
    middle = np.array([cols.mean(), rows.mean()])
    ground = (middle - np.array(CAMERA.principal_point_px)) * CAMERA.gsd_mm_per_px
    rows, cols = np.nonzero(tilted)
    expected = ground_to_pixel(camera, ground)
    assert np.hypot(cols.mean() - expected[0], rows.mean() - expected[1]) < 0.5


def test_a_view_of_the_horizon_is_refused() -> None:
    with pytest.raises(ValueError, match="horizon"):
        draw(scene(), replace(CAMERA, pitch_deg=85.0))
    with pytest.raises(ValueError, match="too much ground"):
        draw(scene(), replace(CAMERA, pitch_deg=81.0))
