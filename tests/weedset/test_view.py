"""Lens and pose against OpenCV, and against published and worked values."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from PIL import Image, ImageOps
from scipy.spatial.transform import Rotation

from weedset.cells import slopes_px_per_mm, worst_gsd_mm_per_px
from weedset.errors import CameraError, StoreError
from weedset.fields import parse_json
from weedset.lens import bend, radius_limit, unbend
from weedset.records import Distortion, View
from weedset.view import (
    border_pixels,
    check_view,
    ground_to_pixels,
    is_plain,
    pixels_to_ground,
    read_view,
    rotation,
    tilt_deg,
    to_stored,
    view_record,
)

Floats = NDArray[np.float64]


def view(
    distortion: Distortion | None = None,
    pitch_deg: float = 0.0,
    roll_deg: float = 0.0,
    focal_px: float = 3000.0,
    distance_mm: float = 1000.0,
    size: tuple[int, int] = (4000, 3000),
    centre: tuple[float, float] | None = None,
    orientation: int = 1,
) -> View:
    stored = size if orientation < 5 else size[::-1]
    x, y = centre or ((stored[0] - 1) / 2, (stored[1] - 1) / 2)
    gsd = distance_mm / focal_px
    return View(*size, orientation, gsd, distance_mm, x, y, pitch_deg, roll_deg, distortion)


POSES = st.tuples(st.floats(-30, 30), st.floats(-20, 20))
BROWN = st.tuples(
    st.floats(-0.25, 0.15),
    st.floats(-0.03, 0.05),
    st.floats(-0.005, 0.005),
    st.floats(-0.005, 0.005),
    st.floats(-0.01, 0.01),
).map(lambda k: Distortion("brown-conrady", k))
FISHEYE = st.tuples(*[st.floats(-0.03, 0.03)] * 2, *[st.floats(-0.005, 0.005)] * 2).map(
    lambda k: Distortion("fisheye", k)
)
GROUND = np.stack(np.meshgrid(np.linspace(-250, 250, 7), np.linspace(-200, 200, 5)), axis=-1)


def by_opencv(seen: View, ground: Floats) -> Floats:
    """Project with OpenCV: level axes are its world axes, the lens their origin."""
    assert seen.distance_mm is not None
    focal_px = seen.distance_mm / seen.gsd_mm_per_px
    matrix = np.array([[focal_px, 0, seen.centre_x_px], [0, focal_px, seen.centre_y_px], [0, 0, 1]])
    flat = ground.reshape(-1, 2)
    world = np.column_stack([flat, np.full(len(flat), seen.distance_mm)])
    # cv2.Rodrigues loses half the digits of a small angle.
    turn = Rotation.from_matrix(rotation(seen.pitch_deg, seen.roll_deg)).as_rotvec()
    still = np.zeros(3)
    if seen.distortion is not None and seen.distortion.model == "fisheye":
        coefficients = np.array(seen.distortion.coefficients)
        pixels, _ = cv2.fisheye.projectPoints(world[None], turn, still, matrix, coefficients)
    else:
        coefficients = np.array(seen.distortion.coefficients if seen.distortion else [0.0] * 5)
        pixels, _ = cv2.projectPoints(world, turn, still, matrix, coefficients)
    return pixels.reshape(ground.shape)


@given(pose=POSES, distortion=st.one_of(st.none(), BROWN, FISHEYE), height=st.floats(400, 2000))
def test_pixels_are_those_of_opencv(
    pose: tuple[float, float], distortion: Distortion | None, height: float
) -> None:
    # Source: cv2.projectPoints and cv2.fisheye.projectPoints.
    seen = view(distortion, *pose, distance_mm=height, centre=(1980.0, 1530.0))
    pixels = ground_to_pixels(seen, GROUND)
    known = np.isfinite(pixels)
    assert known.any()  # the rest lies beyond where the formula folds back
    assert np.allclose(pixels[known], by_opencv(seen, GROUND)[known], atol=1e-6, rtol=0)


@given(pose=POSES, distortion=st.one_of(st.none(), BROWN, FISHEYE))
def test_there_and_back(pose: tuple[float, float], distortion: Distortion | None) -> None:
    seen = view(distortion, *pose)
    pixels = ground_to_pixels(seen, GROUND)
    known = np.isfinite(pixels).all(axis=-1)
    back = pixels_to_ground(seen, pixels)
    # Near the fold a pixel pins the ground down badly: stay where it moves by a tenth at least.
    firm = known & (worst_gsd_mm_per_px(seen, GROUND) < 10 * seen.gsd_mm_per_px)
    assert np.allclose(back[firm], GROUND[firm], atol=1e-5)


@given(distortion=BROWN, x=st.floats(0, 3999), y=st.floats(0, 2999))
def test_rays_are_those_of_undistort_points(distortion: Distortion, x: float, y: float) -> None:
    # Source: cv2.undistortPoints, iterated further than by default, which stops at 1e-3 px.
    matrix = np.array([[3000.0, 0, 2000], [0, 3000, 1500], [0, 0, 1]])
    enough = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 500, 1e-12)
    point, coefficients = np.array([[[x, y]]]), np.array(distortion.coefficients)
    if hasattr(cv2, "undistortPointsIter"):  # as OpenCV 4 called it
        theirs = cv2.undistortPointsIter(point, matrix, coefficients, None, None, enough)
    else:
        theirs = cv2.undistortPoints(point, matrix, coefficients, criteria=enough)
    theirs = theirs.reshape(2)
    ours = unbend(distortion, np.array([(x - 2000) / 3000, (y - 1500) / 3000]))
    if np.isfinite(ours).all() and np.hypot(*theirs) < radius_limit(distortion):
        assert ours[:2] / ours[2] == pytest.approx(theirs, abs=1e-8)


def test_a_plain_tilt_is_the_homography_of_its_four_corners() -> None:
    # Source: cv2.getPerspectiveTransform.
    seen = view(None, 25, -10)
    corners = np.array([[0, 0], [3999, 0], [3999, 2999], [0, 2999]], np.float64)
    ground = pixels_to_ground(seen, corners)
    matrix = cv2.getPerspectiveTransform(ground.astype(np.float32), corners.astype(np.float32))
    theirs = cv2.perspectiveTransform(GROUND.reshape(-1, 1, 2), matrix).reshape(GROUND.shape)
    assert np.allclose(ground_to_pixels(seen, GROUND), theirs, atol=0.02)  # theirs is float32


# Computed with OpenCV 5.0.0 and kept as a table: 4000 x 3000 px, focal length 3000 px, 1 m
# high. Tilt, near edge, far edge, half width near, half width far (m); gsd across and along
# at the principal point, across straight below (mm/px); pixel of the point 0.2 m to the side.
TILTS = [
    (0, -0.5, 0.5, 0.66667, 0.66667, 0.333333, 0.333333, 0.333333, (2599.5, 1499.5)),
    (15, -0.204635, 0.886751, 0.608642, 0.796956, 0.345092, 0.357266, 0.321975,
     (2620.6657, 2303.3476)),
    (30, 0.060023, 1.514569, 0.597358, 1.082206, 0.384900, 0.444444, 0.288675,
     (2692.3203, 3231.5508)),
    (44.999999, 0.333333, 3.0, 0.628539, 1.885618, 0.471405, 0.666667, 0.235702,
     (2848.0281, 4499.5)),
]  # fmt: skip


@pytest.mark.parametrize("row", TILTS)
def test_the_table_of_tilts(row: tuple[float, ...]) -> None:
    tilt, near, far, half_near, half_far, across, along, below, pixel = row
    seen = view(None, tilt)
    corners = pixels_to_ground(seen, np.array([[3999.5, 2999.5], [3999.5, -0.5]])) / 1000
    assert corners[:, 0] == pytest.approx([half_near, half_far], rel=2e-5)
    assert -corners[:, 1] == pytest.approx([near, far], rel=2e-5)
    middle = pixels_to_ground(seen, np.array([1999.5, 1499.5]))
    slopes = slopes_px_per_mm(seen, middle)
    assert [1 / slopes[0, 0], 1 / slopes[1, 1]] == pytest.approx([across, along], rel=1e-5)
    assert 1 / slopes_px_per_mm(seen, np.zeros(2))[0, 0] == pytest.approx(below, rel=1e-5)
    assert ground_to_pixels(seen, np.array([200.0, 0.0])) == pytest.approx(pixel, abs=2e-4)


@given(tilt=st.floats(0.1, 44))
def test_the_isocentre_keeps_the_scale(tilt: float) -> None:
    # At the isocentre the scale across is exactly height over focal length, at any tilt:
    # Wolf & Dewitt 2000, Elements of Photogrammetry, as cited in a text on vertical photographs.
    seen = view(None, tilt)
    isocentre = np.array([0.0, -1000 * math.tan(math.radians(tilt / 2))])
    assert 1 / slopes_px_per_mm(seen, isocentre)[0, 0] == pytest.approx(1 / 3, rel=1e-9)


@given(pose=POSES)
def test_the_worst_scale_is_that_of_the_singular_values(pose: tuple[float, float]) -> None:
    # Source: numpy.linalg.svd.
    seen = view(Distortion("brown-conrady", (-0.1, 0.02, 0.001, 0.001, 0)), *pose)
    smallest = np.linalg.svd(slopes_px_per_mm(seen, GROUND), compute_uv=False)[..., -1]
    assert worst_gsd_mm_per_px(seen, GROUND) == pytest.approx(1 / smallest, rel=1e-9)


def test_slopes_are_pixel_by_ground() -> None:
    # Source: cv2.projectPoints, moved by 0.1 mm of ground along x and along y.
    seen = view(None, 25, -10)
    for axis, move in enumerate(np.eye(2) * 0.05):
        theirs = (by_opencv(seen, GROUND + move) - by_opencv(seen, GROUND - move)) / 0.1
        assert slopes_px_per_mm(seen, GROUND)[..., axis] == pytest.approx(theirs, abs=1e-4)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_turned_photos_show_the_same_ground(orientation: int) -> None:
    # Source: Pillow's exif_transpose. One bright pixel of the stored picture must be where
    # the view of the upright photo says, and ground axes must turn along.
    stored = view(Distortion("brown-conrady", (-0.1, 0.02, 0.003, -0.002, 0)), 12, -7,
                  focal_px=60, size=(80, 60), centre=(42.0, 27.0))  # fmt: skip
    picture = Image.new("L", (80, 60))
    picture.putpixel((13, 21), 255)
    picture.getexif()[0x0112] = orientation
    upright = ImageOps.exif_transpose(picture)
    y, x = np.unravel_index(np.asarray(upright).argmax(), upright.size[::-1])
    turned = replace(
        stored, width_px=upright.width, height_px=upright.height, orientation=orientation
    )
    before = pixels_to_ground(stored, np.array([13.0, 21.0]))
    after = pixels_to_ground(turned, np.array([float(x), float(y)]))
    assert np.hypot(*after) == pytest.approx(np.hypot(*before))
    assert ground_to_pixels(turned, after) == pytest.approx([x, y], abs=1e-6)
    # Ground and pixels turn together: to the right in the photo is to the right on the ground.
    slopes = slopes_px_per_mm(turned, np.zeros(2))
    assert slopes[0, 0] > 0
    assert slopes[1, 1] > 0


def test_folded_rays_are_not_seen() -> None:
    # r (1 - 0.5 r^2) stops growing at r = sqrt(1 / 1.5), by hand.
    strong = Distortion("brown-conrady", (-0.5, 0.0, 0.0, 0.0, 0.0))
    assert radius_limit(strong) == pytest.approx(math.sqrt(2 / 3))
    assert np.isfinite(bend(strong, np.array([0.8, 0.0, 1.0]))).all()
    assert np.isnan(bend(strong, np.array([0.9, 0.0, 1.0]))).all()
    assert np.isnan(unbend(strong, np.array([0.6, 0.0]))[:2]).all()  # the picture ends at 0.544
    assert np.isnan(bend(None, np.array([0.1, 0.0, -1.0]))).all()


@pytest.mark.parametrize(("k1", "end_deg"), [(-0.05, 95.0), (0.05, 95.0), (-0.2, 73.97)])
def test_a_fisheye_ends_where_it_folds_or_is_of_no_more_use(k1: float, end_deg: float) -> None:
    # a (1 + k1 a^2) stops growing at a = 1 / sqrt(-3 k1), by hand: 147.9 and 73.97 degrees.
    lens = Distortion("fisheye", (k1, 0.0, 0.0, 0.0))
    assert math.degrees(radius_limit(lens)) == pytest.approx(end_deg, abs=0.01)
    inside, beyond = np.radians([end_deg - 1, end_deg + 1])
    for angle, seen in ((inside, True), (beyond, False)):
        ray = np.array([math.sin(angle), 0.0, math.cos(angle)])
        assert bool(np.isfinite(bend(lens, ray)).all()) is seen


@pytest.mark.parametrize(
    ("pitch_deg", "roll_deg", "said"),
    [
        (65, 0, "the horizon is inside the photo"),
        (0, -60, "the horizon is inside the photo"),
        (90, 0, "looks level or up"),
        (180, 0, "looks level or up"),
        (-100, 0, "looks level or up"),
    ],
)
def test_views_of_the_sky_are_refused(pitch_deg: float, roll_deg: float, said: str) -> None:
    with pytest.raises(CameraError, match=said) as caught:
        check_view(view(None, pitch_deg, roll_deg), "photo.jpg")
    assert caught.value.fix


def test_a_tilt_just_short_of_the_horizon_is_allowed() -> None:
    # The half angle of view is atan(1500 / 3000) = 26.57 degrees, so 63.4 degrees is the end.
    check_view(view(None, 63), "photo.jpg")
    assert tilt_deg(view(None, 30, 40)) == pytest.approx(
        math.degrees(math.acos(math.cos(math.radians(30)) * math.cos(math.radians(40))))
    )


def test_a_fisheye_may_see_the_horizon_if_it_looks_down() -> None:
    # 1000 px from the axis at 600 px per radian: 95 degrees to each side.
    wide = view(Distortion("fisheye", (0, 0, 0, 0)), 10, focal_px=600, size=(2000, 1500))
    check_view(wide, "photo.jpg")
    assert np.isnan(pixels_to_ground(wide, border_pixels(wide))).any()
    with pytest.raises(CameraError, match="looks level or up"):
        check_view(replace(wide, pitch_deg=88.0), "photo.jpg")


def test_a_distortion_that_ends_inside_the_photo_is_refused() -> None:
    with pytest.raises(CameraError, match="does not hold up to the edge"):
        check_view(view(Distortion("brown-conrady", (-0.9, 0, 0, 0, 0))), "photo.jpg")


@given(pose=POSES, distortion=st.one_of(st.none(), BROWN, FISHEYE))
def test_a_view_survives_being_stored(
    pose: tuple[float, float], distortion: Distortion | None
) -> None:
    seen = view(distortion, *pose)
    assert read_view(parse_json(json.dumps(view_record(seen)), "photo", StoreError)) == seen


@given(pitch_deg=st.floats(-180, 180), roll_deg=st.floats(-180, 180))
def test_a_pose_is_a_turn_about_x_and_then_about_y(pitch_deg: float, roll_deg: float) -> None:
    # Source: scipy.spatial.transform.Rotation, extrinsic axes. Axes turn against the camera.
    theirs = Rotation.from_euler("xy", [-pitch_deg, -roll_deg], degrees=True).as_matrix()
    assert rotation(pitch_deg, roll_deg) == pytest.approx(theirs, abs=1e-12)
    # The optical axis is the last row: its angle to straight down is the tilt.
    down = math.degrees(math.acos(max(-1.0, min(1.0, theirs[2, 2]))))
    assert tilt_deg(view(None, pitch_deg, roll_deg)) == pytest.approx(down, abs=1e-5)


@pytest.mark.parametrize(
    ("seen", "plain"),
    [
        (view(), True),
        (view(Distortion("brown-conrady", (0.0, 0.0, 0.0, 0.0, 0.0))), True),
        (view(Distortion("brown-conrady", (0.0, 0.0, 0.0, 1e-4, 0.0))), False),
        (view(Distortion("fisheye", (0.0, 0.0, 0.0, 0.0))), False),
        (view(None, 1.0), False),
        (view(None, 0.0, -1.0), False),
    ],
)
def test_what_is_plain(seen: View, plain: bool) -> None:
    assert is_plain(seen) is plain


@pytest.mark.parametrize("orientation", range(1, 9))
def test_pixels_of_the_stored_picture_are_those_that_pillow_turned(orientation: int) -> None:
    # Source: Pillow's exif_transpose (EXIF 2.32, tag 0x0112), one bright pixel at a time.
    for at in ((0, 0), (6, 0), (5, 3)):
        picture = Image.new("L", (7, 4))
        picture.putpixel(at, 255)
        picture.getexif()[0x0112] = orientation
        upright = ImageOps.exif_transpose(picture)
        y, x = np.unravel_index(np.asarray(upright).argmax(), upright.size[::-1])
        stored = to_stored(orientation, *upright.size, np.array([float(x), float(y)]))
        assert stored == pytest.approx(at)


@pytest.mark.parametrize("orientation", [1, 6])
def test_a_straight_view_measures_from_where_its_axis_meets_the_picture(orientation: int) -> None:
    # By hand: 1/3 mm per px; the axis meets the stored picture 30 px right of and 12 px below
    # its middle, (1999.5, 1499.5). Orientation 6 turns that clockwise: to 12 px left, 30 below.
    size = (4000, 3000) if orientation == 1 else (3000, 4000)
    seen = view(size=size, centre=(2029.5, 1511.5), orientation=orientation)
    foot = [2029.5, 1511.5] if orientation == 1 else [1499.5 - 12, 1999.5 + 30]
    assert ground_to_pixels(seen, np.zeros(2)) == pytest.approx(foot)
    beside = np.array(foot) + np.array([300, -60])
    assert pixels_to_ground(seen, beside) == pytest.approx([100, -20])
    assert ground_to_pixels(seen, np.array([100.0, -20.0])) == pytest.approx(beside)


def test_the_border_runs_round_the_outer_edge() -> None:
    # Pixel centres are whole numbers, so the picture of 40 x 30 px ends at -0.5, 39.5 and 29.5.
    border = border_pixels(view(size=(40, 30)), 3).tolist()
    assert border == [
        [-0.5, -0.5], [19.5, -0.5], [39.5, -0.5],
        [-0.5, 29.5], [19.5, 29.5], [39.5, 29.5],
        [-0.5, -0.5], [-0.5, 14.5], [-0.5, 29.5],
        [39.5, -0.5], [39.5, 14.5], [39.5, 29.5],
    ]  # fmt: skip
    assert len(border_pixels(view())) == 4 * 65


def test_refused_views_say_what_and_what_to_do() -> None:
    with pytest.raises(CameraError) as level:
        check_view(view(None, 0, 91), "photo.jpg")
    assert level.value.what == (
        "the camera is tilted by 91 degrees, so it looks level or up, not down"
    )
    assert level.value.where == "photo.jpg"
    assert level.value.fix == (
        "give pitch_deg and roll_deg as the tilt from straight down, and hang the camera lower"
    )
    # Half the diagonal is 2500 px at a focal length of 3000 px: 39.8 degrees.
    with pytest.raises(CameraError) as horizon:
        check_view(view(None, 65), "photo.jpg")
    assert horizon.value.what == (
        "the horizon is inside the photo: the camera is tilted by 65 degrees and sees 40 degrees "
        "to each side of its axis"
    )
    assert horizon.value.where == "photo.jpg"
    assert horizon.value.fix == "tilt it by less than 50 degrees, better by less than 20"
    with pytest.raises(CameraError) as bent:
        check_view(view(Distortion("brown-conrady", (-0.9, 0, 0, 0, 0)), 5), "photo.jpg")
    assert bent.value.what == "the distortion does not hold up to the edge of the photo"
    assert bent.value.where == "photo.jpg"
    assert bent.value.fix == (
        "calibrate with the board in the corners too, or use the fisheye model"
    )


@pytest.mark.parametrize(
    ("pitch_deg", "roll_deg"), [(85, 0), (0, -85), (170, 170), (-170, 170), (170, -170)]
)
def test_from_85_degrees_on_a_camera_does_not_look_down(pitch_deg: float, roll_deg: float) -> None:
    # Turned over twice it would look down again, but nobody hangs a camera so: a slip.
    fisheye = view(Distortion("fisheye", (0, 0, 0, 0)), pitch_deg, roll_deg)
    with pytest.raises(CameraError, match="looks level or up"):
        check_view(fisheye, "p")
    check_view(replace(fisheye, pitch_deg=84.9, roll_deg=0.0), "p")


@pytest.mark.parametrize(
    ("change", "field", "what"),
    [
        ({"width_px": 0}, "width_px", "is 0"),
        ({"height_px": 0}, "height_px", "is 0"),
        ({"width_px": 1_000_001}, "width_px", "is 1000001"),
        ({"height_px": 1_000_001}, "height_px", "is 1000001"),
        ({"orientation": 0}, "orientation", "is 0"),
        ({"orientation": 9}, "orientation", "is 9"),
        ({"gsd_mm_per_px": 0}, "gsd_mm_per_px", "is 0"),
        ({"distance_mm": 0}, "distance_mm", "is 0"),
        ({"roll_deg": "x"}, "roll_deg", "should be a number"),
        ({"distortion": {"model": "x", "coefficients": []}}, "distortion.model", "is 'x'"),
        (
            {"distortion": {"model": "fisheye", "coefficients": [0, 0, 0, 0, 0]}},
            "distortion.coefficients",
            "has 5 numbers, while fisheye takes 4",
        ),
        (
            {"distortion": {"model": "brown-conrady", "coefficients": [0, 0, 0, 0, 1001]}},
            "distortion.coefficients.4",
            "is 1001",
        ),
        (
            {"distortion": {"model": "fisheye", "coefficients": [-1001, 0, 0, 0]}},
            "distortion.coefficients.0",
            "is -1001",
        ),
        (
            {"distortion": {"model": "fisheye", "coefficients": [0] * 4, "more": 1}},
            "distortion.more",
            "is not a known field",
        ),
    ],
)
def test_a_stored_view_that_cannot_be_is_refused(
    change: dict[str, object], field: str, what: str
) -> None:
    record = {**view_record(view()), **change}
    with pytest.raises(StoreError) as caught:
        read_view(parse_json(json.dumps(record), "photo", StoreError))
    assert caught.value.where == f"photo: {field}"
    assert caught.value.what.startswith(what)


def test_the_smallest_and_largest_stored_views_are_read() -> None:
    small = replace(view(), width_px=1, height_px=1, gsd_mm_per_px=0.5, distance_mm=0.5)
    large = replace(view(), width_px=1_000_000, height_px=1_000_000, orientation=8)
    for seen in (small, large, replace(view(), distance_mm=None)):
        assert read_view(parse_json(json.dumps(view_record(seen)), "photo", StoreError)) == seen


@pytest.mark.parametrize(
    ("model", "names"), [("brown-conrady", "k1, k2, p1, p2, k3"), ("fisheye", "k1, k2, k3, k4")]
)
def test_coefficients_are_asked_for_by_name(model: str, names: str) -> None:
    record = {**view_record(view()), "distortion": {"model": model, "coefficients": [0.1]}}
    with pytest.raises(StoreError) as caught:
        read_view(parse_json(json.dumps(record), "photo", StoreError))
    assert caught.value.fix == f"give {names}, in this order"


def test_a_tilted_view_of_unknown_distance_is_a_bug() -> None:
    with pytest.raises(ValueError, match="unknown distance is straight down and bends nothing"):
        ground_to_pixels(replace(view(None, 5), distance_mm=None), GROUND)
