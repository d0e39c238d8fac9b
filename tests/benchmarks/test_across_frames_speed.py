"""What the map across frames costs, part by part, beside decoding the frame's JPEG.

Prints times and ratios; asserts only that the frames matched.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from time import perf_counter

import numpy as np
import pytest
from PIL import Image

from sample_data.camera import Camera
from sample_data.drives import Stop, Strip
from sample_data.light import Light
from sample_data.plants import Plant
from sample_data.sites import SITES
from weedset.board.drives.blobs import find_blobs
from weedset.board.ground import Ground
from weedset.board.motion import Motion, motion_between
from weedset.board.targets import Mounting
from weedset.greenness import vegetation
from weedset.records import GroundGrid

pytestmark = pytest.mark.benchmark

#: 2592 x 1944 px over 670 x 502 mm: 13 x 10 whole cells.
CAMERA = Camera(2592, 1944, 450 / (670 / 2592), 450.0)
ROWS, COLS, CELL_PX = 10, 13, 32


def median_ms(do: Callable[[], object], times: int = 9) -> float:
    taken = []
    for _ in range(times):
        start = perf_counter()
        do()
        taken.append((perf_counter() - start) * 1000)
    return float(np.median(taken))


def coarse(pixels: np.ndarray) -> np.ndarray:
    image = Image.fromarray(pixels)
    gsd = CAMERA.gsd_mm_per_px
    wide, high = COLS * 50 / gsd / 2, ROWS * 50 / gsd / 2
    box = (image.width / 2 - wide, image.height / 2 - high)
    box = (*box, image.width / 2 + wide, image.height / 2 + high)
    size = (COLS * CELL_PX, ROWS * CELL_PX)
    return np.asarray(image.resize(size, Image.Resampling.BILINEAR, box=box))


def ground(picture: np.ndarray) -> Ground:
    grid = GroundGrid(50.0, ROWS, COLS, -25.0 * COLS, -25.0 * ROWS)
    grey = (picture @ np.array([0.299, 0.587, 0.114], np.float32)).astype(np.float32)
    return Ground(grid, grey, vegetation(picture), np.ones((ROWS, COLS), bool), 0.01)


def test_what_the_map_costs() -> None:
    rng = np.random.default_rng(0)
    plants = [
        Plant("STEME", 14, *rng.uniform(-200, 300, 2).tolist(), 0.0, 1.0, 0.5, number)
        for number in range(60)
    ]
    light = Light(30, 45, 0.6, 0.1, None)
    stops = [Stop(0, 0, 0), Stop(100, 3, 0.5)]
    strip = Strip(SITES[0].ground, plants, light, CAMERA, stops, 1)
    frames = [strip.frame(number, SITES[0].sensor)[0] for number in (0, 1)]
    buffer = io.BytesIO()
    Image.fromarray(frames[0]).save(buffer, "JPEG", quality=92)
    decode_ms = median_ms(lambda: np.asarray(Image.open(io.BytesIO(buffer.getvalue()))))
    before, now = (ground(coarse(frame)) for frame in frames)
    parts = {
        "coarse ground": median_ms(lambda: ground(coarse(frames[0]))),
        "motion": median_ms(lambda: motion_between(before, now, Mounting(0, 0))),
        "plants": median_ms(lambda: find_blobs(now.green)),
    }
    for name, ms in parts.items():
        print(f"{name}: {ms:.1f} ms, {ms / decode_ms:.2f} of decoding the whole JPEG")
    assert isinstance(motion_between(before, now, Mounting(0, 0)), Motion)
