"""The drawn camera against OpenCV, a published sheet and the tilt table of the check values."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sample_data.camera import Camera, footprint_mm, ground_to_pixel, pixel_to_ground, rotation

WIDTH, HEIGHT = 1296, 972

poses = st.fixed_dictionaries(
    {
        "height_mm": st.floats(250, 900),
        # in tenths of a degree: cv2.Rodrigues takes rotations below about 1e-5 rad for none
        "pitch_deg": st.integers(-250, 250).map(lambda tenths: tenths / 10),
        "roll_deg": st.integers(-150, 150).map(lambda tenths: tenths / 10),
        "focal_px": st.floats(900, 1600),
        "centre_x_px": st.floats(600, 700),
        "centre_y_px": st.floats(450, 520),
    }
)
brown = st.fixed_dictionaries(
    {
        "k1": st.floats(-0.12, 0.12),
        "k2": st.floats(-0.02, 0.02),
        "p1": st.floats(-0.002, 0.002),
        "p2": st.floats(-0.002, 0.002),
        "k3": st.floats(-0.002, 0.002),
    }
)
fisheye = st.fixed_dictionaries({name: st.floats(-0.02, 0.02) for name in ("k1", "k2", "k3", "k4")})


def seen_by_opencv(camera: Camera, points: np.ndarray, heights: np.ndarray) -> np.ndarray:
    """Reference: cv2.projectPoints and cv2.fisheye.projectPoints."""
    world = np.concatenate([points, -heights[:, None]], axis=1)[:, None]
    turn = rotation(camera)
    rvec = cv2.Rodrigues(turn)[0]
    tvec = -turn @ np.array([0.0, 0.0, -camera.height_mm])
    cx, cy = camera.principal_point_px
    k = np.array([[camera.focal_px, 0, cx], [0, camera.focal_px, cy], [0, 0, 1.0]])
    if camera.lens == "fisheye":
        d = np.array([camera.k1, camera.k2, camera.k3, camera.k4])
        return cv2.fisheye.projectPoints(world, rvec, tvec, k, d)[0][:, 0]
    d = np.array([camera.k1, camera.k2, camera.p1, camera.p2, camera.k3])
    return cv2.projectPoints(world, rvec, tvec, k, d)[0][:, 0]


def some_points(camera: Camera) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(5)
    reach = 0.4 * camera.height_mm
    return rng.uniform(-reach, reach, (40, 2)), rng.uniform(0, 0.1 * camera.height_mm, 40)


@settings(max_examples=60, deadline=None)
@given(pose=poses, lens=brown)
def test_pinhole_agrees_with_opencv(pose: dict[str, float], lens: dict[str, float]) -> None:
    camera = Camera(WIDTH, HEIGHT, **pose, **lens)
    points, heights = some_points(camera)
    ours = ground_to_pixel(camera, points, heights)
    np.testing.assert_allclose(ours, seen_by_opencv(camera, points, heights), atol=1e-6)


@settings(max_examples=60, deadline=None)
@given(pose=poses, lens=fisheye)
def test_fisheye_agrees_with_opencv(pose: dict[str, float], lens: dict[str, float]) -> None:
    camera = Camera(WIDTH, HEIGHT, lens="fisheye", **pose, **lens)
    points, heights = some_points(camera)
    ours = ground_to_pixel(camera, points, heights)
    np.testing.assert_allclose(ours, seen_by_opencv(camera, points, heights), atol=1e-6)


@settings(max_examples=40, deadline=None)
@given(pose=poses, lens=st.one_of(brown, fisheye.map(lambda d: {**d, "lens": "fisheye"})))
def test_ground_and_pixel_are_inverse(pose: dict[str, float], lens: dict[str, float]) -> None:
    camera = Camera(WIDTH, HEIGHT, **pose, **lens)  # type: ignore[arg-type]
    points, _ = some_points(camera)
    for height in (0.0, 20.0):
        back = pixel_to_ground(camera, ground_to_pixel(camera, points, height), height)
        np.testing.assert_allclose(back, points, atol=1e-6)


# Camera tipped to the far side, 3000 px, 4000 x 3000, 1 m up: pixel of the ground point that is
# 0.2 m to the right of the lens. From the check values, computed with OpenCV 5.0.0.
@pytest.mark.parametrize(
    ("tilt", "pixel"),
    [
        (0, (2599.5, 1499.5)),
        (15, (2620.6657, 2303.3476)),
        (30, (2692.3203, 3231.5508)),
        (45, (2848.0281, 4499.5)),
    ],
)
def test_pitch_tips_the_view_to_the_top(tilt: float, pixel: tuple[float, float]) -> None:
    camera = Camera(4000, 3000, 3000.0, 1000.0, pitch_deg=tilt)
    np.testing.assert_allclose(ground_to_pixel(camera, [200.0, 0.0]), pixel, atol=1e-3)


def test_published_ground_sample_distance() -> None:
    # Pix4D ground sample distance calculator sheet: sensor 13.125 mm wide, lens 15.4 mm, 100 m up,
    # 4608 x 3456 px -> 1.85 cm per px, 85 m x 64 m.
    camera = Camera(4608, 3456, 15.4 / (13.125 / 4608), 100_000.0)
    assert round(camera.gsd_mm_per_px / 10, 2) == 1.85
    assert tuple(round(side / 1000) for side in footprint_mm(camera)) == (85, 64)


def test_straight_down_scale_is_exact_everywhere() -> None:
    camera = Camera(WIDTH, HEIGHT, 1285.7, 420.0)
    corners = pixel_to_ground(camera, [[-0.5, -0.5], [WIDTH - 0.5, HEIGHT - 0.5]])
    np.testing.assert_allclose(corners[1] - corners[0], footprint_mm(camera), rtol=1e-12)
    step = pixel_to_ground(camera, [[700.0, 10.0], [701.0, 10.0]])
    assert step[1, 0] - step[0, 0] == pytest.approx(420.0 / 1285.7, rel=1e-9)


def test_the_isocentre_keeps_the_untilted_scale() -> None:
    # Wolf & Dewitt, "Elements of Photogrammetry": at the isocentre the scale is f/H at any tilt.
    for tilt in (10.0, 30.0):
        camera = Camera(4000, 3000, 3000.0, 1000.0, pitch_deg=tilt)
        down = 3000.0 * np.tan(np.radians(tilt / 2))
        x, y = camera.principal_point_px
        pair = pixel_to_ground(camera, [[x - 0.5, y + down], [x + 0.5, y + down]])
        assert pair[1, 0] - pair[0, 0] == pytest.approx(camera.gsd_mm_per_px, rel=1e-9)


def test_what_cannot_be_seen_is_refused() -> None:
    camera = Camera(WIDTH, HEIGHT, 1000.0, 400.0, pitch_deg=75.0)
    with pytest.raises(ValueError, match="horizon"):
        pixel_to_ground(camera, [600.0, 0.0])
    with pytest.raises(ValueError, match="behind the lens"):
        ground_to_pixel(camera, [0.0, 5000.0])
    plain = Camera(WIDTH, HEIGHT, 1000.0, 400.0)
    with pytest.raises(ValueError, match="at or above the lens"):
        ground_to_pixel(plain, [0.0, 0.0], 400.0)
    with pytest.raises(ValueError, match="at or above the lens"):
        pixel_to_ground(plain, [0.0, 0.0], 500.0)
    with pytest.raises(ValueError, match="rectangular"):
        footprint_mm(camera)
    folded = Camera(WIDTH, HEIGHT, 300.0, 400.0, k1=-0.5)
    with pytest.raises(ValueError, match="cannot be inverted"):
        pixel_to_ground(folded, [0.0, 0.0])
