"""A drawn scene, and its picture through a camera with the mask of species."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sample_data.camera import Camera, pixel_to_ground
from sample_data.develop import Sensor, develop, shaded
from sample_data.grounds import Ground, draw_ground
from sample_data.light import Light
from sample_data.noise import Raster, rough_noise
from sample_data.paint import Canvas, paint_leaf
from sample_data.plants import Plant, height_mm, leaves_of
from sample_data.species import GROUND, VALUE_OF_CODE

_LARGEST_PX = 40_000_000


@dataclass(frozen=True)
class Scene:
    """Everything there is to draw; two draws of one scene are the same to the last bit.

    ``plants`` are painted by height, low ones first.
    """

    site: str
    ground: Ground
    plants: tuple[Plant, ...]
    light: Light
    sensor: Sensor
    seed: int


def draw(scene: Scene, camera: Camera) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    """Picture (h, w, 3) in RGB and mask (h, w) of species values, 0 being bare ground.

    A tilted or bent camera sees the same rays as one that looks straight down from the same
    place, so its picture is resampled from that one; plants of any height stay right.

    Raises ValueError when the camera sees the horizon or more ground than can be drawn.
    """
    rng = np.random.default_rng([scene.seed, 9])
    raster = _straight_down(camera)
    canvas = _paint(scene, raster, camera.height_mm)
    picture, mask = canvas.picture, canvas.mask
    if not camera.is_plain:
        picture, mask = _resampled(canvas, camera)
    return develop(picture, scene.sensor, rng), mask


def _paint(scene: Scene, raster: Raster, lens_height_mm: float) -> Canvas:
    picture = draw_ground(scene.ground, raster, scene.light, scene.seed)
    cover = VALUE_OF_CODE["LOLPE"] if scene.ground.kind == "lawn" else GROUND
    mask = np.full((raster.height_px, raster.width_px), cover, dtype=np.uint8)
    grain = rough_noise(raster, (4.0, 2.0, 1.0), scene.seed + 77)
    canvas = Canvas(raster, lens_height_mm, picture, mask, grain)
    for plant in sorted(scene.plants, key=height_mm):
        centre, value = (plant.x_mm, plant.y_mm), VALUE_OF_CODE[plant.code]
        for leaf in leaves_of(plant):
            paint_leaf(canvas, leaf, centre, value, scene.light)
    canvas.picture[:] *= shaded(raster, scene.light, scene.seed + 78)
    return canvas


def _straight_down(camera: Camera) -> Raster:
    """The ground that the camera sees, as seen straight down from the same lens."""
    gsd = camera.gsd_mm_per_px
    if camera.is_plain:
        x0, y0 = camera.principal_point_px
        return Raster(camera.width_px, camera.height_px, x0, y0, gsd)
    edge = pixel_to_ground(camera, _border(camera))
    low, high = edge.min(axis=0) - 4 * gsd, edge.max(axis=0) + 4 * gsd
    width, height = np.ceil((high - low) / gsd).astype(int)
    if int(width) * int(height) > _LARGEST_PX:
        raise ValueError("the camera sees too much ground to draw: tilt it less")
    return Raster(int(width), int(height), float(-low[0] / gsd), float(-low[1] / gsd), gsd)


def _border(camera: Camera) -> NDArray[np.float64]:
    """Pixels (n, 2) round the picture, on its outer edge."""
    x = np.linspace(-0.5, camera.width_px - 0.5, 65)
    y = np.linspace(-0.5, camera.height_px - 0.5, 65)
    sides = [np.stack([x, np.full(65, end)], axis=-1) for end in (y[0], y[-1])]
    sides += [np.stack([np.full(65, end), y], axis=-1) for end in (x[0], x[-1])]
    return np.concatenate(sides)


def _resampled(canvas: Canvas, camera: Camera) -> tuple[NDArray[np.float32], NDArray[np.uint8]]:
    """The canvas as the camera sees it: picture by bilinear, mask by nearest pixel."""
    rows, cols = np.mgrid[0 : camera.height_px, 0 : camera.width_px]
    pixels = np.stack([cols, rows], axis=-1).astype(np.float64)
    ground = pixel_to_ground(camera, pixels)
    raster = canvas.raster
    x = (ground[..., 0] / raster.gsd_mm_per_px + raster.x0_px).astype(np.float32)
    y = (ground[..., 1] / raster.gsd_mm_per_px + raster.y0_px).astype(np.float32)
    left = np.clip(x.astype(np.int32), 0, raster.width_px - 2)
    top = np.clip(y.astype(np.int32), 0, raster.height_px - 2)
    right, down = np.clip(x - left, 0, 1), np.clip(y - top, 0, 1)
    flat = canvas.picture.reshape(3, -1)
    at = top * raster.width_px + left
    upper = flat[:, at] * (1 - right) + flat[:, at + 1] * right
    below = at + raster.width_px
    lower = flat[:, below] * (1 - right) + flat[:, below + 1] * right
    near_x = np.clip(np.rint(x).astype(np.int32), 0, raster.width_px - 1)
    near_y = np.clip(np.rint(y).astype(np.int32), 0, raster.height_px - 1)
    return np.asarray(upper * (1 - down) + lower * down), canvas.mask[near_y, near_x]
