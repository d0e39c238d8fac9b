"""What lens and sensor make of a lit scene: broad shadow, fall-off, colour cast, blur, grain."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sample_data.light import Light
from sample_data.noise import Raster, rough_noise, softened

Picture = NDArray[np.float32]


@dataclass(frozen=True)
class Sensor:
    """The camera's character.

    ``balance`` multiplies red, green and blue; ``exposure`` all of them. ``fall_off`` is the share
    of light lost in the corners, ``blur`` the weight of each neighbour in a 3 x 3 blur (0 to 0.3),
    ``grain`` the noise at mid grey as a share of full scale, ``contrast`` bends the tones (0 to 1).
    """

    balance: tuple[float, float, float] = (1.0, 1.0, 1.0)
    exposure: float = 1.25
    fall_off: float = 0.2
    blur: float = 0.12
    grain: float = 0.012
    contrast: float = 0.35


def shaded(raster: Raster, light: Light, seed: int) -> NDArray[np.float32]:
    """Factor (3, h, w) by which a broad shadow and the sun's colour change a scene."""
    warm = np.array([1 + 0.16 * light.warmth, 1.0, 1 - 0.2 * light.warmth], dtype=np.float32)
    if light.shadow is None:
        return np.asarray(warm[:, None, None])
    shadow = light.shadow
    angle = np.radians(shadow.angle_deg)
    x, y = raster.x_mm()[None, :], raster.y_mm()[:, None]
    if shadow.round_mm > 0:
        middle = np.array([np.cos(angle), np.sin(angle)]) * shadow.offset_mm
        beyond = shadow.round_mm - np.hypot(x - middle[0], (y - middle[1]) * 0.8)
    else:
        beyond = x * np.cos(angle) + y * np.sin(angle) - shadow.offset_mm
    beyond = beyond + 5 * rough_noise(raster, (150.0, 60.0), seed)
    dark = 1 / (1 + np.exp(np.clip(-beyond / (shadow.edge_mm / 3), -30, 30)))
    left = np.array([1 - light.sun, 1 - light.sun * 0.94, 1 - light.sun * 0.82], dtype=np.float32)
    factor = 1 + (np.maximum(left, 0.3) - 1)[:, None, None] * dark.astype(np.float32)
    return np.asarray(factor * warm[:, None, None], dtype=np.float32)


def develop(picture: Picture, sensor: Sensor, rng: np.random.Generator) -> NDArray[np.uint8]:
    """Turn linear light (3, h, w) into an sRGB-like picture (h, w, 3) of 8 bits."""
    _, height, width = picture.shape
    x = (np.arange(width, dtype=np.float32) - (width - 1) / 2)[None, :]
    y = (np.arange(height, dtype=np.float32) - (height - 1) / 2)[:, None]
    far = (x * x + y * y) * np.float32(4 / (width**2 + height**2))
    lens = (1 - np.float32(sensor.fall_off) * far * (0.6 + 0.4 * far)) * np.float32(sensor.exposure)
    noise = rng.standard_normal((height, width), dtype=np.float32)
    out = np.empty((height, width, 3), dtype=np.uint8)
    for channel in range(3):
        plane = softened(picture[channel], sensor.blur)
        plane *= lens * np.float32(sensor.balance[channel])
        np.maximum(plane, 0, out=plane)
        tone = plane / (1 + 0.18 * plane) * np.float32(1.18)
        tone = np.sqrt(np.sqrt(tone)) * np.sqrt(tone) ** np.float32(0.4)
        tone = np.clip(tone, 0, 1)
        bent = tone * tone * (3 - 2 * tone)
        tone += np.float32(sensor.contrast) * (bent - tone)
        own = rng.standard_normal((height, width), dtype=np.float32)
        amount = np.float32(sensor.grain) * (1.35 - 0.7 * tone)
        tone += amount * (0.75 * noise + 0.5 * own)
        out[..., channel] = np.clip(tone * 255 + 0.5, 0, 255).astype(np.uint8)
    return out
