"""Photos of the calibration board, drawn through OpenCV's own lens model."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from weedset.corners import SQUARES

Floats = NDArray[np.float64]
_FINER = 2  # each pixel is the mean of 2 x 2 rays


@dataclass(frozen=True)
class DrawnLens:
    """A lens as OpenCV knows it: k1, k2, p1, p2, k3, or k1 to k4 of a fisheye."""

    width_px: int
    height_px: int
    focal_px: float
    centre: tuple[float, float]
    coefficients: tuple[float, ...]
    fisheye: bool = False

    @property
    def matrix(self) -> Floats:
        x, y = self.centre
        return np.array([[self.focal_px, 0, x], [0, self.focal_px, y], [0, 0, 1.0]])


def rays_of(lens: DrawnLens) -> Floats:
    """Rays (h * 2, w * 2, 2) on the plane at distance 1, several to a pixel. Source: OpenCV."""
    x = (np.arange(lens.width_px * _FINER) + 0.5) / _FINER - 0.5
    y = (np.arange(lens.height_px * _FINER) + 0.5) / _FINER - 0.5
    pixels = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 1, 2)
    coefficients = np.array(lens.coefficients)
    if lens.fisheye:
        rays = cv2.fisheye.undistortPoints(pixels, lens.matrix, coefficients)
    else:
        rays = cv2.undistortPoints(pixels, lens.matrix, coefficients)
    return np.asarray(rays, dtype=np.float32).reshape(len(y), len(x), 2)


def turned(pitch_deg: float, roll_deg: float, yaw_deg: float) -> Floats:
    """The board's axes in camera axes: tilted by pitch and roll, and turned in its plane."""
    pitch, roll, yaw = np.radians([pitch_deg, roll_deg, yaw_deg])
    about_x = cv2.Rodrigues(np.array([pitch, 0, 0]))[0]
    about_y = cv2.Rodrigues(np.array([0, roll, 0]))[0]
    about_z = cv2.Rodrigues(np.array([0, 0, yaw]))[0]
    return np.asarray(about_x @ about_y @ about_z)


def draw_board(
    lens: DrawnLens,
    rays: Floats,
    turn: Floats,
    middle_mm: tuple[float, float, float],
    square_mm: float = 24.0,
    noise: float = 3.0,
    seed: int = 0,
) -> NDArray[np.uint8]:
    """A grey photo (h, w) of the board whose middle lies at `middle_mm` in camera axes.

    White paper, black squares, soil beyond; with noise and a soft shadow.
    """
    middle = np.array(middle_mm)
    towards = turn[:, 2]
    ray_x, ray_y = rays[..., 0], rays[..., 1]
    across, down = SQUARES

    def along(axis: Floats) -> NDArray[np.float32]:
        a, b, c = np.float32(axis)
        return a * ray_x + b * ray_y + c

    reach = np.float32(middle @ towards) / along(towards)
    x, y = (
        (along(axis) * reach - np.float32(middle @ axis)) / np.float32(square_mm) + side / 2
        for axis, side in ((turn[:, 0], across), (turn[:, 1], down))
    )
    inside = (x >= 0) & (x < across) & (y >= 0) & (y < down) & (reach > 0)
    paper = (x >= -1) & (x < across + 1) & (y >= -1) & (y < down + 1) & (reach > 0)
    black = inside & ((np.floor(x) + np.floor(y)) % 2 == 0)
    light = np.where(black, 25.0, np.where(paper, 215.0, 90.0))
    h, w = lens.height_px, lens.width_px
    grey = light.reshape(h, _FINER, w, _FINER).mean(axis=(1, 3))
    grey *= 0.8 + 0.2 * np.linspace(0, 1, w)
    grey += np.random.default_rng(seed).normal(0, noise, grey.shape)
    return np.clip(grey, 0, 255).astype(np.uint8)
