"""Motion between frames: against exact truth, and against OpenCV's two ways to tell it."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from PIL import Image

from sample_data.develop import develop
from sample_data.grounds import draw_ground
from sample_data.light import Light
from sample_data.noise import Raster
from sample_data.sites import SITES
from tests.conftest import real_photos
from weedset.board.ground import Ground
from weedset.board.motion import Motion, motion_between
from weedset.board.targets import Mounting
from weedset.greenness import vegetation
from weedset.records import GroundGrid

ROWS, COLS, CELL_PX, CELL_MM = 6, 8, 32, 50.0
PX_MM = CELL_MM / CELL_PX
HERE = Mounting(0, 0)


def ground(picture: np.ndarray) -> Ground:
    """The ground of a picture (192, 256, 3) of 6 x 8 cells about the point below the lens."""
    grid = GroundGrid(CELL_MM, ROWS, COLS, -COLS * CELL_MM / 2, -ROWS * CELL_MM / 2)
    grey = picture.astype(np.float32) @ np.array([0.299, 0.587, 0.114], np.float32)
    return Ground(grid, grey, vegetation(picture), np.ones((ROWS, COLS), bool), 0.01)


def soil(seed: int = 0, side: int = 700) -> np.ndarray:
    """Lumps of several sizes, with a sensor's grain to come on top; invented."""
    rng = np.random.default_rng(seed)
    total = np.zeros((side, side), np.float32)
    for blur, weight in ((1, 10), (2.5, 14), (6, 14), (20, 10)):
        lumps = cv2.GaussianBlur(rng.standard_normal((side, side)).astype(np.float32), (0, 0), blur)
        total += weight * lumps / lumps.std()
    return (110 + total).clip(0, 255)


def looked_at(big: np.ndarray, x_mm: float, y_mm: float, turn_deg: float, seed: int) -> np.ndarray:
    """The frame of a lens that went x_mm forward (up), y_mm left, and turned left by turn_deg."""
    turn = math.radians(turn_deg)
    cos, sin = math.cos(turn), math.sin(turn)
    middle = np.array([big.shape[1] / 2 - y_mm / PX_MM, big.shape[0] / 2 - x_mm / PX_MM])
    x0, y0 = (COLS * CELL_PX - 1) / 2, (ROWS * CELL_PX - 1) / 2
    matrix = np.array(
        [
            [cos, sin, middle[0] - cos * x0 - sin * y0],
            [-sin, cos, middle[1] + sin * x0 - cos * y0],
        ]
    )
    flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    frame = cv2.warpAffine(big, matrix, (COLS * CELL_PX, ROWS * CELL_PX), flags=flags)
    noise = np.random.default_rng(seed).normal(0, 3, frame.shape)
    grey = np.clip(frame + noise, 0, 255).astype(np.uint8)
    return np.repeat(grey[..., None], 3, axis=2) if grey.ndim == 2 else grey


def off_mm(found: Motion | str, x_mm: float, y_mm: float) -> float:
    assert isinstance(found, Motion), found
    return math.hypot(found.forward_mm - x_mm, found.left_mm - y_mm)


@pytest.mark.parametrize(
    ("x_mm", "y_mm", "turn_deg"),
    [
        (0, 0, 0),
        (60, 0, 0),
        (61.3, -4.7, 0),
        (-33.3, 12.1, 0),
        (80, 5, 1.5),
        (40, 0, -3),
        (130, 0, 0),
    ],
)
def test_exact_truth_to_a_tenth_of_a_pixel_or_so(x_mm: float, y_mm: float, turn_deg: float) -> None:
    big = soil()
    found = motion_between(
        ground(looked_at(big, 0, 0, 0, 1)), ground(looked_at(big, x_mm, y_mm, turn_deg, 2)), HERE
    )
    assert off_mm(found, x_mm, y_mm) < 0.3
    assert isinstance(found, Motion)
    assert found.turn_deg == pytest.approx(turn_deg, abs=0.1)


def test_errors_stay_within_what_is_stated() -> None:
    """40 motions: 95 % of a two-dimensional normal error lie within 2.45 sigma."""
    within = 0
    for seed in range(40):
        rng = np.random.default_rng(seed)
        big = soil(seed, 500)
        x, y, turn = rng.uniform(-70, 70), rng.uniform(-30, 30), rng.normal(0, 1)
        before, now = looked_at(big, 0, 0, 0, seed), looked_at(big, x, y, turn, seed + 99)
        found = motion_between(ground(before), ground(now), HERE)
        assert isinstance(found, Motion)
        within += off_mm(found, x, y) <= 2.45 * found.sigma_mm
        assert abs(found.turn_deg - turn) <= 4 * found.sigma_deg
    assert within >= 38


def test_a_camera_that_hangs_ahead_and_turned_sees_the_machine_move() -> None:
    """The machine goes 50 mm forward and turns by 1 degree; its camera is 400 mm ahead, turned
    by 90 degrees to the left, so it goes 50 mm forward and swings 7 mm to the left.
    """
    mounting = Mounting(400, 0, 90)
    turn = math.radians(1)
    lens = np.array([50 + 400 * math.cos(turn), 400 * math.sin(turn)]) - (400, 0)
    # In the camera's own frame, whose forward is the machine's left.
    ahead, left = lens[1], -lens[0]
    big = soil()
    before, now = looked_at(big, 0, 0, 0, 1), looked_at(big, ahead, left, 1, 2)
    found = motion_between(ground(before), ground(now), mounting)
    assert off_mm(found, 50, 0) < 1.0
    assert isinstance(found, Motion)
    assert found.sigma_mm > off_mm(found, 50, 0) / 3


def big_ground(name: str) -> np.ndarray:
    """Drawn or real ground (700, 700, 3), at a pixel or so per 1.5 mm."""
    if name == "drawn":
        raster = Raster(700, 700, 350, 350, PX_MM)
        lit = draw_ground(SITES[0].ground, raster, Light(30, 45, 0.6, 0.1, None), 3)
        return develop(lit, SITES[0].sensor, np.random.default_rng(0)).astype(np.float32)
    image = Image.open(real_photos("ground") / name).convert("RGB").resize((700, 700))
    return np.asarray(image, np.float32)


@pytest.mark.parametrize("name", ["drawn", "dirt_brown.jpg", "grass_light.jpg"])
def test_ground_as_opencv_sees_it_move(name: str) -> None:
    """References: cv2.phaseCorrelate, and cv2.findTransformECC with a Euclidean motion."""
    big = big_ground(name)
    for seed, (x, y, turn) in enumerate([(30, 4, 0.0), (45, -12, 0.0), (20, 8, 1.0)]):
        before, now = looked_at(big, 0, 0, 0, seed), looked_at(big, x, y, turn, 9 + seed)
        found = motion_between(ground(before), ground(now), HERE)
        assert off_mm(found, x, y) < 0.3
        assert isinstance(found, Motion)
        one, two = ground(before).grey, ground(now).grey
        if not turn:
            window = cv2.createHanningWindow(one.shape[::-1], cv2.CV_64F)
            pair = (one.astype(float), two.astype(float))
            (right, down), _ = cv2.phaseCorrelate(*pair, window)
            # Its weighted centroid of 5 x 5 px is itself a third of a px off the truth here.
            assert off_mm(found, down * PX_MM, right * PX_MM) < 0.5 * PX_MM
        start = np.array([[1, 0, y / PX_MM], [0, 1, x / PX_MM]], np.float32)
        steps = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 200, 1e-7)
        _, warp = cv2.findTransformECC(one, two, start, cv2.MOTION_EUCLIDEAN, steps)
        # It maps pixels of the first frame to those of the second: take the lens's own.
        lens = np.array([(COLS * CELL_PX - 1) / 2, (ROWS * CELL_PX - 1) / 2])
        turned = warp[:, :2]
        before_it = np.linalg.solve(turned, lens - warp[:, 2])
        moved_px = before_it - lens
        assert off_mm(found, -moved_px[1] * PX_MM, -moved_px[0] * PX_MM) < 0.3
        ecc_deg = math.degrees(math.atan2(turned[1, 0], turned[0, 0]))
        assert found.turn_deg == pytest.approx(ecc_deg, abs=0.1)


def refused(before: np.ndarray, now: np.ndarray) -> str:
    found = motion_between(ground(before), ground(now), HERE)
    assert isinstance(found, str), found
    return found


def test_what_cannot_be_told_is_refused() -> None:
    big, other = soil(0), soil(5)
    here = looked_at(big, 0, 0, 0, 1)
    assert "do not match" in refused(here, looked_at(other, 0, 0, 0, 2))
    assert refused(here, looked_at(big, 220, 0, 0, 2))  # hardly any overlap
    assert refused(here, looked_at(big, 0, 0, 25, 2))  # turned too far
    bare = np.full((192, 256), 100.0)
    noise = [bare + np.random.default_rng(seed).normal(0, 3, bare.shape) for seed in (1, 2)]
    flat = [np.repeat(it[..., None], 3, 2).astype(np.uint8) for it in noise]
    assert "do not match" in refused(*flat)  # no detail but the sensor's noise
    assert refused(flat[0], np.full_like(flat[0], 100))
    dull = [cv2.GaussianBlur(it, (0, 0), 25) for it in (here, looked_at(big, 60, 0, 0, 2))]
    found = motion_between(ground(dull[0]), ground(dull[1]), HERE)
    assert isinstance(found, str) or off_mm(found, 60, 0) < 4 * found.sigma_mm


def test_a_shadow_that_travels_with_the_machine_does_not_hold_it_back() -> None:
    big = soil()
    frames = [looked_at(big, x, 0, 0, x) for x in (0, 60)]
    for frame in frames:
        frame[:60, :] //= 2  # the machine's own shadow, always in the same place
        frame[150:170, 20:60] = 20  # and dirt on the lens
    found = motion_between(ground(frames[0]), ground(frames[1]), HERE)
    assert off_mm(found, 60, 0) < 0.5


def test_the_pattern_of_a_sensor_is_no_ground() -> None:
    """The same noise in each picture, strong: ground that moved, and ground that is another."""
    big, other = soil(0), soil(5)
    for seed in range(5):
        here, ahead, elsewhere = (
            looked_at(*it, 0, 0, seed) for it in ((big, 0), (big, 60), (other, 0))
        )
        assert off_mm(motion_between(ground(here), ground(ahead), HERE), 60, 0) < 0.3
        assert refused(here, elsewhere)


def test_frames_of_different_ground_do_not_compare() -> None:
    frame = ground(looked_at(soil(), 0, 0, 0, 1))
    smaller = GroundGrid(50.0, 5, 8, -200.0, -125.0)
    other = Ground(smaller, frame.grey[:160], frame.green[:160], frame.seen[:5], 0.01)
    assert motion_between(frame, other, HERE) == "the frames show ground of different sizes"


def test_cells_that_are_not_seen_do_not_count() -> None:
    big = soil()
    before, now = (ground(looked_at(big, x, 0, 0, 1)) for x in (0, 50))
    for it in (before, now):
        it.seen[:, :3] = False
        it.grey[:, :96] = np.random.default_rng(0).normal(100, 30, (192, 96))
    assert off_mm(motion_between(before, now, HERE), 50, 0) < 0.3
