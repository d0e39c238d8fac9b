"""A drive over drawn ground: overlapping frames of one strip, with the truth to the last bit.

The drive's frame, in mm: x forward, y to the left, from where the lens stood at the start; a
heading counts counterclockwise seen from above. Plants stand up, so they move against the
ground from frame to frame as real ones do.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from sample_data.camera import Camera, footprint_mm
from sample_data.develop import Sensor, develop
from sample_data.grounds import Ground, draw_ground
from sample_data.light import Light
from sample_data.noise import Plane, Raster, rough_noise
from sample_data.paint import Canvas, paint_leaf
from sample_data.plants import Plant, height_mm, leaves_of
from sample_data.species import GROUND, VALUE_OF_CODE

#: No plant's leaves, nor its shadow, reach further than this.
_LARGEST_MM = 200.0


@dataclass(frozen=True)
class Stop:
    """Where the lens stands when a frame is taken."""

    x_mm: float
    y_mm: float
    heading_deg: float


class Strip:
    """A strip of ground with its plants, drawn once; `frame` looks at a part of it.

    ``plants`` stand in the drive's frame (``x_mm`` forward, ``y_mm`` left).
    """

    def __init__(
        self,
        ground: Ground,
        plants: Sequence[Plant],
        light: Light,
        camera: Camera,
        stops: Sequence[Stop],
        seed: int,
    ) -> None:
        if not camera.is_plain:
            raise ValueError("a drive is drawn through a straight-down camera without distortion")
        self.stops = tuple(stops)
        self.plants = tuple(plants)
        self._camera, self._light, self._seed = camera, light, seed
        gsd, reach = camera.gsd_mm_per_px, math.hypot(*footprint_mm(camera)) / 2 + 10
        x = [stop.x_mm for stop in stops]
        y = [stop.y_mm for stop in stops]
        self._raster = Raster(
            math.ceil((max(y) - min(y) + 2 * reach) / gsd),
            math.ceil((max(x) - min(x) + 2 * reach) / gsd),
            (max(y) + reach) / gsd,
            (max(x) + reach) / gsd,
            gsd,
        )
        self._planes = (
            *draw_ground(ground, self._raster, light, seed),
            rough_noise(self._raster, (4.0, 2.0, 1.0), seed + 77),
        )

    def frame(self, number: int, sensor: Sensor) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
        """Picture (h, w, 3) and species mask (h, w) of a stop; its noise is its own."""
        stop, camera = self.stops[number], self._camera
        planes = [self._resampled(plane, stop) for plane in self._planes]
        size = (camera.width_px, camera.height_px)
        raster = Raster(*size, *camera.principal_point_px, camera.gsd_mm_per_px)
        mask = np.full((camera.height_px, camera.width_px), GROUND, dtype=np.uint8)
        canvas = Canvas(raster, camera.height_mm, np.stack(planes[:3]), mask, planes[3])
        far_mm = math.hypot(*footprint_mm(camera)) / 2 + _LARGEST_MM
        for plant in sorted(self.plants, key=height_mm):
            here = seen_from(plant, stop)
            if math.hypot(here.x_mm, here.y_mm) > far_mm:
                continue
            for leaf in leaves_of(here):
                at = (here.x_mm, here.y_mm)
                paint_leaf(canvas, leaf, at, VALUE_OF_CODE[plant.code], self._light)
        rng = np.random.default_rng([self._seed, 9, number])
        return develop(canvas.picture, sensor, rng), canvas.mask

    def _resampled(self, plane: Plane, stop: Stop) -> Plane:
        """The part of a plane over the strip that the lens sees."""
        turn, raster, camera = math.radians(stop.heading_deg), self._raster, self._camera
        cos, sin = math.cos(turn), math.sin(turn)
        # Pillow takes the middle of the first pixel to be at (0.5, 0.5).
        x0, y0 = (at + 0.5 for at in camera.principal_point_px)
        middle_x = raster.x0_px - stop.y_mm / raster.gsd_mm_per_px + 0.5
        middle_y = raster.y0_px - stop.x_mm / raster.gsd_mm_per_px + 0.5
        affine = (
            *(cos, sin, middle_x - cos * x0 - sin * y0),
            *(-sin, cos, middle_y + sin * x0 - cos * y0),
        )
        size = (camera.width_px, camera.height_px)
        how = (Image.Transform.AFFINE, affine, Image.Resampling.BICUBIC)
        return np.asarray(Image.fromarray(plane).transform(size, *how), dtype=np.float32)


def seen_from(plant: Plant, stop: Stop) -> Plant:
    """The plant in the frame of a photo: mm from below the lens, x to the right, y down."""
    turn = math.radians(stop.heading_deg)
    ahead, left = plant.x_mm - stop.x_mm, plant.y_mm - stop.y_mm
    cos, sin = math.cos(turn), math.sin(turn)
    return replace(
        plant,
        x_mm=sin * ahead - cos * left,
        y_mm=-(cos * ahead + sin * left),
        rotation_deg=(plant.rotation_deg + stop.heading_deg) % 360,
    )
