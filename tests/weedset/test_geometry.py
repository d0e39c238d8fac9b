"""Geometry against published capture geometries and OpenCV."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from weedset.errors import CameraError
from weedset.geometry import (
    cell_centre_mm,
    cell_footprint,
    focal_length_px,
    grid_footprint,
    ground_box_px,
    ground_sample_distance_mm,
    inside_share,
    lay_grid,
)
from weedset.records import (
    CalibratedLens,
    CameraProfile,
    Distortion,
    Equivalent35mm,
    ExifFacts,
    FieldOfView,
    FocalLength,
    Footprint,
    GroundGrid,
    Lens,
)
from weedset.scale import photo_view
from weedset.view import border_pixels, pixels_to_ground


def photo_footprint(width_px: int, height_px: int, gsd_mm: float) -> Footprint:
    """Return what a straight-down photo shows, as the cells of a photo are laid over it."""
    profile = CameraProfile("declared", None, None, None, gsd_mm, None, None, None)
    view = photo_view(profile, ExifFacts(), width_px, height_px, "photo.jpg")
    ground = pixels_to_ground(view, border_pixels(view))
    return Footprint(*ground.min(axis=0).tolist(), *ground.max(axis=0).tolist())


def test_a_published_ground_sample_distance() -> None:
    # Source: the GSD calculator sheet of Pix4D: sensor 13.125 mm wide, lens 15.4 mm,
    # 4608 x 3456 px, 100 m high -> 1.85 cm/px, footprint 85 m x 64 m (as printed there).
    lens = FocalLength(15.4, 13.125 / 4608 * 1000)
    gsd_mm = ground_sample_distance_mm(100_000, focal_length_px(lens, 4608, 3456))
    assert round(gsd_mm / 10, 2) == 1.85
    footprint = photo_footprint(4608, 3456, gsd_mm)
    assert round(2 * footprint.x_max_mm / 1000) == 85
    assert round(2 * footprint.y_max_mm / 1000) == 64


def test_the_capture_geometry_of_a_field_data_set() -> None:
    # Source: Haug & Ostermann 2015, values from memory: 15 mm lens, 450 mm above ground,
    # 3.75 um pixels, 1296 x 966 px; the authors give about 8.95 px/mm, hence the 1 %.
    gsd_mm = ground_sample_distance_mm(450, focal_length_px(FocalLength(15, 3.75), 1296, 966))
    assert gsd_mm == pytest.approx(0.1125)
    assert 1 / gsd_mm == pytest.approx(8.95, rel=0.01)


@pytest.mark.parametrize(
    ("f35_mm", "size", "width_deg", "height_deg", "diagonal_deg"),
    [  # Equal diagonal angle of view (CIPA DCG-001), computed from the 36 x 24 mm frame.
        (26, (4000, 3000), 67.299, 53.060, 79.524),
        (24, (4000, 3000), 71.592, 56.812, 84.062),
        (26, (1600, 900), 71.899, 44.383, 79.524),
        (50, (3000, 2000), 39.598, 26.991, 46.793),
    ],
)
def test_35_mm_equivalents_see_the_tabled_angles(
    f35_mm: float,
    size: tuple[int, int],
    width_deg: float,
    height_deg: float,
    diagonal_deg: float,
) -> None:
    f_px = focal_length_px(Equivalent35mm(f35_mm), *size)
    for across, angle in (
        ("width", width_deg),
        ("height", height_deg),
        ("diagonal", diagonal_deg),
    ):
        by_angle = focal_length_px(FieldOfView(angle, across), *size)  # type: ignore[arg-type]
        assert by_angle == pytest.approx(f_px, rel=1e-4)


def test_the_camera_wiki_example_of_a_35_mm_equivalent() -> None:
    # Source: camerapedia, "35mm equivalent": 25 mm on a sensor of 30.2 x 16.7 mm -> 31 mm.
    pitch_mm = 0.01
    size = (3020, 1670)
    f_px = focal_length_px(FocalLength(25, pitch_mm * 1000), *size)
    f35_mm = f_px * math.hypot(36, 24) / math.hypot(*size)
    assert round(f35_mm) == 31


@pytest.mark.parametrize(
    ("lens", "missing"),
    [
        (FocalLength(3.6, None), "pixel_pitch_um"),
        (FocalLength(None, 1.4), "focal_length_mm"),
        (FocalLength(None, None), "focal_length_mm"),
    ],
)
def test_a_focal_length_without_pitch_says_what_is_missing(lens: Lens, missing: str) -> None:
    with pytest.raises(CameraError) as caught:
        focal_length_px(lens, 100, 100)
    assert caught.value.what == f"{missing} is not known"


def test_a_calibrated_lens_is_taken_at_its_word() -> None:
    assert focal_length_px(CalibratedLens(3021.5, 1999.0, 1502.0), 4000, 3000) == 3021.5


BROWN = Distortion("brown-conrady", (-0.12, 0.03, 0.004, -0.003, -0.01))
FISHEYE = Distortion("fisheye", (0.02, -0.004, 0.001, -0.0002))
#: The diagonal angle of view behind a 26 mm equivalent, see the table above.
ANGLES: list[tuple[Lens, float, float]] = [
    (FieldOfView(70, "width"), 35, 1600 / 2),
    (FieldOfView(55, "height"), 27.5, 1200 / 2),
    (FieldOfView(80, "diagonal"), 40, 2000 / 2),
    (Equivalent35mm(26), 79.524 / 2, 2000 / 2),
]


@pytest.mark.parametrize("distortion", [BROWN, FISHEYE])
@pytest.mark.parametrize(("lens", "half_deg", "half_px"), ANGLES)
def test_through_a_bent_lens_the_angle_of_view_ends_at_the_edge(
    distortion: Distortion, lens: Lens, half_deg: float, half_px: float
) -> None:
    # Source: cv2.projectPoints and cv2.fisheye.projectPoints: the ray at half the angle of
    # view meets the picture at half its side. Of the distortion only what is round counts.
    f_px = focal_length_px(lens, 1600, 1200, distortion)
    matrix, still = np.diag([f_px, f_px, 1.0]), np.zeros(3)
    angle = math.radians(half_deg)
    ray = np.array([[[math.sin(angle), 0.0, math.cos(angle)]]])
    if distortion.model == "fisheye":
        coefficients = np.array(distortion.coefficients)
        seen, _ = cv2.fisheye.projectPoints(ray, still, still, matrix, coefficients)
    else:
        k1, k2, _, _, k3 = distortion.coefficients
        seen, _ = cv2.projectPoints(ray, still, still, matrix, np.array([k1, k2, 0, 0, k3]))
    assert seen.reshape(2) == pytest.approx([half_px, 0], rel=1e-5, abs=1e-9)


def test_an_angle_beyond_what_the_distortion_holds_is_refused() -> None:
    # r (1 - 0.5 r^2) stops growing at r = sqrt(2 / 3), by hand: 39.2 degrees from the axis.
    strong = Distortion("brown-conrady", (-0.5, 0.0, 0.0, 0.0, 0.0))
    assert focal_length_px(FieldOfView(78, "width"), 1600, 1200, strong) > 0
    with pytest.raises(CameraError) as caught:
        focal_length_px(FieldOfView(79, "width"), 1600, 1200, strong)
    assert caught.value.what == "its distortion does not hold 39.5 degrees from the axis"


@given(
    width_px=st.integers(64, 4000),
    height_px=st.integers(64, 4000),
    f_px=st.floats(50, 6000),
    height_mm=st.floats(50, 3000),
    cell_mm=st.floats(5, 200),
)
def test_cells_lie_where_opencv_projects_them(
    width_px: int, height_px: int, f_px: float, height_mm: float, cell_mm: float
) -> None:
    # Source: cv2.projectPoints. Ground x to the right, y down, the camera height_mm above.
    gsd_mm = ground_sample_distance_mm(height_mm, f_px)
    grid = lay_grid(photo_footprint(width_px, height_px, gsd_mm), cell_mm, "drop")
    if grid.rows == 0 or grid.cols == 0:
        return
    for row, col in ((0, 0), (grid.rows - 1, grid.cols - 1), (grid.rows // 2, 0)):
        cell = cell_footprint(grid, row, col)
        corners = np.array([[cell.x_min_mm, cell.y_min_mm, 0], [cell.x_max_mm, cell.y_max_mm, 0]])
        matrix = np.array(
            [[f_px, 0, (width_px - 1) / 2], [0, f_px, (height_px - 1) / 2], [0, 0, 1]]
        )
        seen, _ = cv2.projectPoints(
            corners, np.zeros(3), np.array([0, 0, height_mm]), matrix, np.zeros(5)
        )
        left, top, right, bottom = ground_box_px(cell, width_px, height_px, gsd_mm)
        # OpenCV counts from pixel centres, a resampling box from the outer edge.
        assert np.allclose(seen.reshape(4) + 0.5, (left, top, right, bottom), atol=1e-6 * f_px)
        assert min(left, top) >= -1e-2
        assert right <= width_px + 1e-2


@given(
    st.floats(10, 3000), st.floats(10, 3000), st.floats(5, 200), st.sampled_from(["drop", "pad"])
)
def test_grids_are_centred_and_lose_less_than_a_cell(
    width_mm: float, height_mm: float, cell_mm: float, edge: str
) -> None:
    photo = Footprint(-width_mm / 2, -height_mm / 2, width_mm / 2, height_mm / 2)
    grid = lay_grid(photo, cell_mm, edge)  # type: ignore[arg-type]
    whole = grid_footprint(grid)
    assert whole.x_min_mm == pytest.approx(-whole.x_max_mm, abs=1e-6)
    assert abs(whole.x_max_mm - photo.x_max_mm) <= cell_mm / 2 + 1e-6
    if edge == "pad":
        assert whole.y_max_mm >= photo.y_max_mm - 1e-3
    elif grid.rows and grid.cols:
        assert inside_share(cell_footprint(grid, 0, 0), photo) == pytest.approx(1, abs=1e-5)
        x_mm, y_mm = cell_centre_mm(grid, grid.rows - 1, 0)
        assert cell_centre_mm(grid, 0, grid.cols - 1) == pytest.approx((-x_mm, -y_mm), abs=1e-6)


def test_a_photo_of_exactly_twenty_cells_has_twenty() -> None:
    grid = lay_grid(photo_footprint(3000, 2250, 1 / 3), 50, "drop")
    assert (grid.cols, grid.rows) == (20, 15)


def test_padded_cells_know_their_share() -> None:
    photo = Footprint(-60, -50, 60, 50)  # 120 x 100 mm: a cell and two fifths on each side
    grid = lay_grid(photo, 100, "pad")
    assert (grid.cols, grid.rows) == (2, 1)
    assert inside_share(cell_footprint(grid, 0, 0), photo) == pytest.approx(0.6)


def test_a_grid_over_ground_beside_the_lens_is_centred_on_it() -> None:
    # By hand: 230 x 170 mm hold 4 x 3 cells of 50 mm and leave 30 and 20 mm, half on each side.
    beside = Footprint(100, -300, 330, -130)
    assert lay_grid(beside, 50, "drop") == GroundGrid(50, 3, 4, 115, -290)
    # 5 x 4 cells stand over by 20 and 30 mm.
    assert lay_grid(beside, 50, "pad") == GroundGrid(50, 4, 5, 90, -315)


@pytest.mark.parametrize(("edge", "most"), [("drop", 3), ("pad", 4)])
def test_rounding_takes_and_gives_no_cell(edge: str, most: int) -> None:
    for off_mm in (-1e-6, 1e-6):
        photo = Footprint(0, 0, 150 + off_mm, 100 - off_mm)
        grid = lay_grid(photo, 50, edge)  # type: ignore[arg-type]
        assert (grid.cols, grid.rows) == (3, 2)
    clearly = lay_grid(Footprint(0, 0, 150.001, 99.999), 50, edge)  # type: ignore[arg-type]
    assert (clearly.cols, clearly.rows) == (most, most - 2)


def test_cells_lie_side_by_side_from_the_corner_of_their_grid() -> None:
    grid = GroundGrid(50, 3, 4, 115, -290)
    assert cell_footprint(grid, 0, 0) == Footprint(115, -290, 165, -240)
    assert cell_footprint(grid, 2, 3) == Footprint(265, -190, 315, -140)
    assert cell_centre_mm(grid, 0, 0) == (140, -265)
    assert cell_centre_mm(grid, 2, 3) == (290, -165)
    assert grid_footprint(grid) == Footprint(115, -290, 315, -140)


@pytest.mark.parametrize(
    ("cell", "share"),
    [  # shares of rectangles by hand; the photo is 120 x 100 mm
        (Footprint(0, 0, 40, 20), 1.0),
        (Footprint(40, 0, 80, 20), 0.5),
        (Footprint(-70, 0, -50, 20), 0.5),
        (Footprint(0, 45, 40, 65), 0.25),
        (Footprint(0, -65, 40, -45), 0.25),
        (Footprint(40, 40, 80, 60), 0.25),
        (Footprint(60, 0, 100, 20), 0.0),
        (Footprint(61, 0, 101, 20), 0.0),
        (Footprint(0, 51, 40, 71), 0.0),
        (Footprint(200, 200, 240, 220), 0.0),  # beyond both: two wrongs make no right
        (Footprint(-120, -100, 120, 100), 0.25),
    ],
)
def test_the_share_of_a_cell_in_the_photo(cell: Footprint, share: float) -> None:
    assert inside_share(cell, Footprint(-60, -50, 60, 50)) == pytest.approx(share)


def test_where_ground_lies_in_a_photo_with_its_centre_elsewhere() -> None:
    # By hand: at 0.5 mm/px, 10 mm are 20 px.
    ground = Footprint(-10, -20, 30, 40)
    assert ground_box_px(ground, 400, 300, 0.5) == (180, 110, 260, 230)
    assert ground_box_px(ground, 400, 300, 0.5, (190.5, 160.25)) == (170.5, 120.25, 250.5, 240.25)
