"""Calibration: against drawn boards of known truth, and against OpenCV's own calibration."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from tests.weedset.drawn_board import DrawnLens, Floats, draw_board, rays_of, turned
from weedset.calibrate import Fit, fit_camera
from weedset.corners import SeenBoard, board_points_mm, find_board
from weedset.errors import CameraError
from weedset.view import rotation

NORMAL = DrawnLens(1000, 750, 770.0, (509.0, 366.0), (-0.22, 0.06, 0.001, -0.0008, 0))
WIDE = DrawnLens(1000, 750, 400.0, (494.0, 378.0), (-0.02, 0.004, 0, 0), fisheye=True)

#: How the board is held: pitch, roll, yaw, and where its middle is, in mm.
HELD = [
    (25, 0, 5, (-60, -40, 420)),
    (-28, 5, -8, (70, 50, 430)),
    (5, 30, 0, (-70, 60, 420)),
    (0, -32, 12, (80, -50, 410)),
    (20, 22, 92, (0, 0, 450)),
    (-22, -20, 30, (-40, 20, 380)),
    (12, -15, 170, (60, 60, 460)),
    (-10, 28, -40, (30, -60, 400)),
]

#: How the camera hangs over the board on the ground.
HEIGHT_MM, PITCH_DEG, ROLL_DEG = 520.0, 14.0, -6.0


def on_the_ground(yaw_deg: float = 8.0) -> tuple[Floats, tuple[float, float, float]]:
    """The board flat on the ground, its axes and its middle in camera axes."""
    level = rotation(PITCH_DEG, ROLL_DEG)
    yaw = cv2.Rodrigues(np.array([0, 0, np.radians(yaw_deg)]))[0]
    middle = level @ np.array([10.0, -90.0, HEIGHT_MM])
    return np.asarray(level @ yaw), (float(middle[0]), float(middle[1]), float(middle[2]))


def projected(lens: DrawnLens, turn: Floats, middle: tuple[float, float, float]) -> Floats:
    """Corners in pixels, by OpenCV."""
    points = board_points_mm()
    points = points - points.mean(axis=0)
    vector = cv2.Rodrigues(turn)[0]
    if lens.fisheye:
        pixels, _ = cv2.fisheye.projectPoints(
            points[None], vector, np.array(middle), lens.matrix, np.array(lens.coefficients)
        )
    else:
        pixels, _ = cv2.projectPoints(
            points, vector, np.array(middle), lens.matrix, np.array(lens.coefficients)
        )
    return np.asarray(pixels).reshape(-1, 2)


def seen(lens: DrawnLens, pixels: Floats, name: str) -> SeenBoard:
    return SeenBoard(Path(name), lens.width_px, lens.height_px, pixels)


def drawn_corners(lens: DrawnLens, noise_px: float) -> tuple[list[SeenBoard], list[SeenBoard]]:
    rng = np.random.default_rng(11)

    def noisy(turn: Floats, middle: tuple[float, float, float], name: str) -> SeenBoard:
        pixels = projected(lens, turn, middle)
        return seen(lens, pixels + rng.normal(0, noise_px, pixels.shape), name)

    near = 0.62 if lens.fisheye else 1.0
    boards = [
        noisy(turned(*angles), (at[0], at[1], at[2] * near), f"held{i}.jpg")
        for i, (*angles, at) in enumerate(HELD)
    ]
    return boards, [noisy(*on_the_ground(), "ground.jpg")]


def check_pose(fit: Fit) -> None:
    """The target: height within 1 %, tilt within 0.2 degrees."""
    assert fit.pose is not None
    assert fit.pose.height_mm == pytest.approx(HEIGHT_MM, rel=0.01)
    assert fit.pose.pitch_deg == pytest.approx(PITCH_DEG, abs=0.2)
    assert fit.pose.roll_deg == pytest.approx(ROLL_DEG, abs=0.2)


@pytest.mark.parametrize("lens", [NORMAL, WIDE], ids=["normal", "fisheye"])
def test_exact_corners_give_the_exact_camera(lens: DrawnLens) -> None:
    fit = fit_camera(*drawn_corners(lens, 0.0), fisheye=lens.fisheye)
    assert fit.error_px < 1e-4
    assert fit.lens.focal_px == pytest.approx(lens.focal_px, rel=1e-5)
    assert (fit.lens.centre_x_px, fit.lens.centre_y_px) == pytest.approx(lens.centre, abs=0.01)
    assert fit.lens.distortion.coefficients == pytest.approx(lens.coefficients, abs=1e-4)
    assert fit.pose is not None
    assert fit.pose.height_mm == pytest.approx(HEIGHT_MM, abs=0.05)
    assert fit.pose.pitch_deg == pytest.approx(PITCH_DEG, abs=0.005)
    assert fit.pose.roll_deg == pytest.approx(ROLL_DEG, abs=0.005)


@pytest.mark.parametrize("lens", [NORMAL, WIDE], ids=["normal", "fisheye"])
def test_noisy_corners_give_height_and_tilt_within_what_is_stated(lens: DrawnLens) -> None:
    # Corners are found to about a tenth of a pixel (see the drawn photos below).
    check_pose(fit_camera(*drawn_corners(lens, 0.1), fisheye=lens.fisheye))
    # Three times as much noise must show in what is stated.
    fit = fit_camera(*drawn_corners(lens, 0.3), fisheye=lens.fisheye)
    assert fit.error_px == pytest.approx(0.3 * np.sqrt(2), rel=0.15)
    assert fit.pose is not None
    # Three sigma: and none so wide that it says nothing.
    off = abs(fit.lens.focal_px - lens.focal_px)
    assert off < 3 * fit.lens.focal_uncertainty_px < 0.05 * lens.focal_px
    off = abs(fit.pose.height_mm - HEIGHT_MM)
    assert off < 3 * fit.pose.height_uncertainty_mm < 0.05 * HEIGHT_MM
    off = max(abs(fit.pose.pitch_deg - PITCH_DEG), abs(fit.pose.roll_deg - ROLL_DEG))
    assert off < 3 * fit.pose.tilt_uncertainty_deg < 1.5


def test_the_fit_is_as_good_as_opencv_s() -> None:
    # Source: cv2.calibrateCamera with the same freedom: one focal length, no k3.
    boards, ground = drawn_corners(NORMAL, 0.3)
    fit = fit_camera(boards, ground)
    points = [board_points_mm().astype(np.float32)] * (len(boards) + 1)
    pixels = [board.pixels.astype(np.float32) for board in [*boards, *ground]]
    flags = cv2.CALIB_FIX_ASPECT_RATIO | cv2.CALIB_FIX_K3
    error, matrix, coefficients, _, _ = cv2.calibrateCamera(
        points, pixels, (1000, 750), np.eye(3), np.zeros(5), flags=flags
    )
    assert fit.error_px == pytest.approx(error, rel=1e-3)
    assert fit.lens.focal_px == pytest.approx(matrix[0, 0], rel=1e-3)
    assert fit.lens.centre_x_px == pytest.approx(matrix[0, 2], abs=0.3)
    assert fit.lens.centre_y_px == pytest.approx(matrix[1, 2], abs=0.3)
    assert fit.lens.distortion.coefficients[:2] == pytest.approx(
        coefficients.ravel()[:2], abs=0.005
    )


def test_drawn_photos_give_the_camera(tmp_path: Path) -> None:
    # Photos drawn with noise, a light gradient and JPEG, from rays that OpenCV gives. Those of
    # the other lens are in test_camera_verbs.py.
    lens, near = WIDE, 0.62
    rays = rays_of(lens)
    paths = []
    for i, (*angles, at) in enumerate(HELD):
        middle = (at[0], at[1], at[2] * near)
        pixels = draw_board(lens, rays, turned(*angles), middle, seed=i)
        paths.append(tmp_path / f"held{i}.jpg")
        Image.fromarray(pixels).save(paths[-1], quality=90)
    ground = tmp_path / "ground.jpg"
    Image.fromarray(draw_board(lens, rays, *on_the_ground())).save(ground, quality=90)
    boards = [find_board(path) for path in paths]
    # The detected middle of all corners, against OpenCV's projection of the same board.
    truth = projected(
        lens, turned(*HELD[0][:3]), (HELD[0][3][0], HELD[0][3][1], HELD[0][3][2] * near)
    )
    assert boards[0].pixels.mean(axis=0) == pytest.approx(truth.mean(axis=0), abs=0.05)
    fit = fit_camera(boards, [find_board(ground)], fisheye=lens.fisheye)
    check_pose(fit)
    assert fit.error_px < 0.3
    assert fit.lens.focal_px == pytest.approx(lens.focal_px, rel=0.01)


def test_a_photo_stored_turned_gives_the_same_corners(tmp_path: Path) -> None:
    pixels = draw_board(NORMAL, rays_of(NORMAL), turned(*HELD[0][:3]), HELD[0][3])
    exif = Image.Exif()
    exif[0x0112] = 6
    Image.fromarray(pixels).save(tmp_path / "flat.png")
    Image.fromarray(pixels).save(tmp_path / "turned.png", exif=exif)
    flat, told = find_board(tmp_path / "flat.png"), find_board(tmp_path / "turned.png")
    assert (told.width_px, told.height_px) == (1000, 750)
    as_set = [np.array(sorted(board.pixels.tolist())) for board in (flat, told)]
    assert np.abs(as_set[0] - as_set[1]).max() < 0.1


def test_a_print_that_came_out_smaller_is_put_right_by_its_ruler() -> None:
    boards, ground = drawn_corners(NORMAL, 0.0)
    shrunk = fit_camera(boards, ground, ruler_mm=194.0)
    assert shrunk.pose is not None
    assert shrunk.pose.height_mm == pytest.approx(HEIGHT_MM * 0.97, rel=1e-4)
    assert shrunk.lens.focal_px == pytest.approx(770, rel=1e-4)


def test_too_few_photos() -> None:
    boards, _ = drawn_corners(NORMAL, 0.1)
    with pytest.raises(CameraError, match="4 photos of the board, too few"):
        fit_camera(boards[:4], [])


def test_photos_that_are_too_alike() -> None:
    alike = [
        seen(NORMAL, projected(NORMAL, turned(i, -i, 5 * i), (3.0 * i, 2.0, 450.0)), f"{i}.jpg")
        for i in range(7)
    ]
    with pytest.raises(CameraError, match="too alike"):
        fit_camera(alike, [])


def test_photos_of_another_size() -> None:
    boards, _ = drawn_corners(NORMAL, 0.1)
    other = SeenBoard(Path("small.jpg"), 500, 375, boards[0].pixels / 2)
    with pytest.raises(CameraError, match=r"of several sizes: .* 500 x 375 px .small.jpg"):
        fit_camera([*boards, other], [])


def test_another_board_is_refused(tmp_path: Path) -> None:
    # A board of 8 x 6 squares, drawn by hand.
    squares = np.indices((6, 8)).sum(axis=0) % 2 * 200
    board = np.full((700, 900), 230, np.uint8)
    board[110:590, 130:770] = np.kron(squares, np.ones((80, 80))).astype(np.uint8)
    Image.fromarray(board).save(tmp_path / "other.png")
    with pytest.raises(CameraError, match="no whole board of 10 x 7 squares") as caught:
        find_board(tmp_path / "other.png")
    assert "weedset camera sheet" in caught.value.fix
