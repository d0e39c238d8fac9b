"""A drive's frames show its plants where OpenCV's camera, moved along, sees them."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest

from sample_data.camera import Camera
from sample_data.develop import Sensor
from sample_data.drives import Stop, Strip
from sample_data.grounds import Ground
from sample_data.light import Light
from sample_data.plants import Plant
from sample_data.species import VALUE_OF_CODE

CAMERA = Camera(400, 300, 500.0, 400.0)  # 0.8 mm per px
STOPS = (Stop(0, 0, 0), Stop(40, 0, 0), Stop(25, -30, 20), Stop(60, 10, -35))
PLANTS = (
    Plant("STEME", 12, 45.0, -20.0, 30.0, 1.0, 0.5, 1),
    Plant("POAAN", 12, 20.0, 40.0, 75.0, 1.0, 0.5, 2),
)


@pytest.fixture(scope="module")
def strip() -> Strip:
    ground = Ground("soil", (112, 86, 66), (160, 152, 140))
    return Strip(ground, PLANTS, Light(30, 45, 0.6, 0.1, None), CAMERA, STOPS, 5)


def expected_px(plant: Plant, stop: Stop) -> np.ndarray:
    """Reference: cv2.projectPoints; the world as x forward, y left, z up."""
    turn = math.radians(stop.heading_deg)
    forward = np.array([math.cos(turn), math.sin(turn), 0.0])
    right = np.array([math.sin(turn), -math.cos(turn), 0.0])
    rotation = np.stack([right, -forward, np.array([0.0, 0.0, -1.0])])
    lens = np.array([stop.x_mm, stop.y_mm, CAMERA.height_mm])
    x, y = CAMERA.principal_point_px
    matrix = np.array([[CAMERA.focal_px, 0, x], [0, CAMERA.focal_px, y], [0, 0, 1]])
    point = np.array([[plant.x_mm, plant.y_mm, 0.0]])
    pixel, _ = cv2.projectPoints(
        point, cv2.Rodrigues(rotation)[0], -rotation @ lens, matrix, np.zeros(5)
    )
    return np.asarray(pixel.reshape(2))


@pytest.mark.parametrize("number", range(len(STOPS)))
def test_plants_stand_where_opencv_projects_them(strip: Strip, number: int) -> None:
    _, mask = strip.frame(number, Sensor())
    for plant in PLANTS:
        rows, cols = np.nonzero(mask == VALUE_OF_CODE[plant.code])
        x, y = expected_px(plant, STOPS[number])
        away = np.hypot(cols - x, rows - y)
        # The foot is in the midst of the leaves, or at the end of the nearest one.
        assert away.min() < 4
        assert np.median(away) < 25


def test_ground_moves_with_the_stop_and_noise_does_not(strip: Strip) -> None:
    """40 mm forward are 50 px down the picture."""
    clean = Sensor(fall_off=0.0, grain=0.0)
    here, there = (strip.frame(number, clean)[0].astype(float) for number in (0, 1))
    apart = np.abs(here[:250] - there[50:])
    assert np.median(apart) <= 1
    assert apart.mean() < 0.1 * np.abs(here[:250] - there[:250]).mean()
    noisy = [strip.frame(number, Sensor(fall_off=0.0))[0].astype(float) for number in (0, 1)]
    assert np.median(np.abs(noisy[0][:250] - noisy[1][50:])) > 1


def test_a_tilted_camera_cannot_drive() -> None:
    ground = Ground("soil", (112, 86, 66), (160, 152, 140))
    tilted = Camera(400, 300, 500.0, 400.0, pitch_deg=5)
    with pytest.raises(ValueError, match="straight-down"):
        Strip(ground, (), Light(30, 45, 0.6, 0.1, None), tilted, STOPS, 5)
