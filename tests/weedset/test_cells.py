"""Which cells a photo shows, and how well: by hand, and by walking every cell with OpenCV."""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from weedset.cells import (
    CellsInView,
    cells_in_view,
    cells_of_photo,
    centres_mm,
    lattice_mm,
    share_needed,
)
from weedset.errors import CameraError, PhotoError
from weedset.records import (
    CameraProfile,
    CellLimits,
    Distortion,
    Edge,
    ExifFacts,
    GroundGrid,
    Photo,
    View,
)
from weedset.scale import photo_scale

Floats = NDArray[np.float64]
FREE = CellLimits(None, 89.0)

#: 4000 x 3000 px at 1/3 mm per px show 1333.33 x 1000 mm of ground.
PLAIN = View(4000, 3000, 1, 1 / 3, 1000.0, 1999.5, 1499.5)
#: Half an angle of view of 18 degrees up and down: looks 12 to 48 degrees up from below.
TILTED = replace(PLAIN, width_px=1200, height_px=960, gsd_mm_per_px=2 / 3, centre_x_px=612.0,
                 centre_y_px=470.0, pitch_deg=30.0)  # fmt: skip
#: 600 px per radian: the corners look beyond the horizon, the sides do not see it.
FISHEYE = View(2000, 2000, 1, 1000 / 600, 1000.0, 999.5, 999.5, 0.0, 0.0,
               Distortion("fisheye", (0.0, 0.0, 0.0, 0.0)))  # fmt: skip


def by_opencv(view: View, ground: Floats) -> Floats:
    """Return the pixels (n, 2) of ground, for a camera that is only pitched."""
    assert view.distance_mm is not None
    focal_px = view.distance_mm / view.gsd_mm_per_px
    matrix = np.array([[focal_px, 0, view.centre_x_px], [0, focal_px, view.centre_y_px], [0, 0, 1]])
    world = np.column_stack([ground, np.full(len(ground), view.distance_mm)])
    turn = np.array([-math.radians(view.pitch_deg), 0.0, 0.0])
    return cv2.projectPoints(world, turn, np.zeros(3), matrix, np.zeros(5))[0].reshape(-1, 2)


def kept_corners(cells: CellsInView) -> set[tuple[int, int]]:
    """Return the places of the kept cells as whole numbers of cells from the grid's own net."""
    grid = cells.grid
    return {
        (round(grid.x_min_mm + col * grid.cell_mm), round(grid.y_min_mm + row * grid.cell_mm))
        for row, col in cells.places()
    }


def walked(view: View, grid: GroundGrid) -> dict[tuple[int, int], tuple[float, float, float]]:
    """Walk the net that `grid` is part of, far to all sides, cell by cell, with OpenCV.

    Returns, by the corner of each cell that the photo shows some of, the share of 5 x 5
    points of it that lie in the photo, the worst scale of its corners and middle (mm per px,
    by numpy's singular values), and its angle from straight down (degrees).
    """
    assert view.distance_mm is not None
    cell_mm, net = grid.cell_mm, np.arange(-30, 31) * grid.cell_mm
    corners = np.stack(np.meshgrid(net, net), axis=-1).reshape(-1, 2)
    corners = corners + np.array([grid.x_min_mm, grid.y_min_mm])
    fifths = np.linspace(0, cell_mm, 5)
    spread = np.stack(np.meshgrid(fifths, fifths), axis=-1).reshape(-1, 2)
    pixels = by_opencv(view, (corners[:, None] + spread).reshape(-1, 2))
    inside = (pixels >= -0.5) & (pixels <= np.array([view.width_px, view.height_px]) - 0.5)
    shares = inside.all(axis=1).reshape(-1, 25).mean(axis=1)
    corners, shares = corners[shares > 0], shares[shares > 0]
    ends = np.array([(0, 0), (1, 0), (0, 1), (1, 1), (0.5, 0.5)]) * cell_mm
    points = (corners[:, None] + ends).reshape(-1, 2)
    columns = [
        (by_opencv(view, points + move) - by_opencv(view, points - move)) / 0.02
        for move in (np.array([0.01, 0]), np.array([0, 0.01]))
    ]
    smallest = np.linalg.svd(np.stack(columns, axis=-1), compute_uv=False)[:, -1]
    gsd = 1 / smallest.reshape(-1, 5).min(axis=1)
    angle = np.degrees(np.arctan(np.hypot(*(corners + cell_mm / 2).T) / view.distance_mm))
    return {
        (round(x), round(y)): (float(share), float(worst), float(deg))
        for (x, y), share, worst, deg in zip(corners, shares, gsd, angle, strict=True)
    }


def test_cells_of_a_photo_straight_down() -> None:
    cells = cells_in_view(PLAIN, 50, "drop", CellLimits(), "p.jpg")
    assert cells.view is PLAIN
    assert cells.grid == GroundGrid(50, 20, 26, -650, -500)
    assert cells.kept.shape == cells.gsd_mm_per_px.shape == (20, 26)
    assert cells.kept.all()
    assert (cells.gsd_mm_per_px == 1 / 3).all()
    assert (cells.inside_share == 1).all()
    assert cells.dropped == ()
    assert list(cells.places()) == [(row, col) for row in range(20) for col in range(26)]
    # The middle of the first cell is 625 mm to the left and 475 mm up, seen from 1 m.
    assert cells.oblique_deg[0, 0] == pytest.approx(
        math.degrees(math.atan(math.hypot(0.625, 0.475)))
    )
    assert cells.oblique_deg[10, 13] == pytest.approx(math.degrees(math.atan(0.025 * math.sqrt(2))))


def test_padded_cells_of_a_photo_straight_down() -> None:
    cells = cells_in_view(PLAIN, 60, "pad", CellLimits(), "p.jpg")
    # 1333.33 / 60 = 22.2 and 1000 / 60 = 16.7, so 23 x 17 cells: 1380 x 1020 mm.
    assert cells.grid == GroundGrid(60, 17, 23, -690, -510)
    assert cells.kept.all()
    side, top = (60 - (690 - 4000 / 6)) / 60, 50 / 60
    assert cells.inside_share[0, 0] == pytest.approx(side * top)
    assert cells.inside_share[16, 22] == pytest.approx(side * top)
    assert cells.inside_share[3, 0] == pytest.approx(side)
    assert cells.inside_share[0, 3] == pytest.approx(top)
    assert cells.inside_share[3, 3] == 1


def test_where_the_height_is_unknown_so_is_the_angle() -> None:
    cells = cells_in_view(replace(PLAIN, distance_mm=None), 50, "drop", CellLimits(None, 1), "p")
    assert np.isnan(cells.oblique_deg).all()
    assert cells.oblique_deg.shape == (20, 26)
    assert cells.kept.all()


def test_cells_too_oblique_are_dropped_counted_and_trimmed_away() -> None:
    # Up to 20 degrees from 1 m: middles within 363.97 mm. They lie at odd multiples of 25 mm.
    most_mm = 1000 * math.tan(math.radians(20))
    near = [
        (x, y)
        for x in range(-625, 626, 50)
        for y in range(-475, 476, 50)
        if math.hypot(x, y) <= most_mm
    ]
    cells = cells_in_view(PLAIN, 50, "drop", CellLimits(None, 20), "p.jpg")
    assert cells.dropped == (("seen too obliquely", 26 * 20 - len(near)),)
    assert cells.grid == GroundGrid(50, 14, 14, -350, -350)
    assert kept_corners(cells) == {(x - 25, y - 25) for x, y in near}
    assert cells.oblique_deg.shape == cells.inside_share.shape == (14, 14)
    assert cells.oblique_deg[0, 6] == pytest.approx(
        math.degrees(math.atan(math.hypot(0.025, 0.325)))
    )


def test_a_scale_that_is_just_good_enough_is_kept() -> None:
    assert cells_in_view(PLAIN, 50, "drop", CellLimits(1 / 3), "p.jpg").kept.all()
    with pytest.raises(PhotoError) as caught:
        cells_in_view(PLAIN, 50, "drop", CellLimits(0.33), "p.jpg")
    assert caught.value.what == (
        "shows not one cell of 50 mm well enough: 520 too coarse "
        "(camera tilted by 0 degrees, 0.333 mm/px)"
    )
    assert caught.value.where == "p.jpg"
    assert caught.value.fix == (
        "hang the camera lower or less tilted, use smaller cells, or allow coarser ones"
    )


def test_all_reasons_why_nothing_is_left_are_told() -> None:
    xs, ys = np.meshgrid(np.arange(-625, 626, 50), np.arange(-475, 476, 50))
    near = int((np.hypot(xs, ys) <= 1000 * math.tan(math.radians(20))).sum())
    with pytest.raises(PhotoError) as caught:
        cells_in_view(PLAIN, 50, "drop", CellLimits(0.33, 20), "p.jpg")
    assert f"well enough: {520 - near} seen too obliquely, {near} too coarse (" in caught.value.what


@pytest.mark.parametrize(
    ("size", "rows", "cols"),
    [
        ((3000, 2250), range(15), range(20)),  # 1000 x 750 mm: 20 x 15 cells to the very edge
        ((3000, 2249), range(1, 14), range(20)),  # half a px short at top and bottom
        ((2999, 2250), range(15), range(1, 19)),
    ],
)
def test_a_cell_that_reaches_the_very_edge_of_a_bent_photo_is_kept(
    size: tuple[int, int], rows: range, cols: range
) -> None:
    # A distortion of next to nothing, so that by hand the photo is that of a pinhole; the whole
    # grid is 20 x 15 cells, from (-500, -375).
    width, height = size
    hardly = Distortion("brown-conrady", (1e-13, 0.0, 0.0, 0.0, 0.0))
    view = View(
        width, height, 1, 1 / 3, 1000.0, (width - 1) / 2, (height - 1) / 2, 0.0, 0.0, hardly
    )
    cells = cells_in_view(view, 50, "drop", CellLimits(), "p.jpg")
    assert kept_corners(cells) == {
        (-500 + 50 * col, -375 + 50 * row) for row in rows for col in cols
    }


@pytest.mark.parametrize("edge", ["drop", "pad"])
@pytest.mark.parametrize("limits", [FREE, CellLimits(0.95, 40), CellLimits(0.8), CellLimits()])
def test_cells_of_a_tilted_photo_are_those_that_opencv_finds(
    edge: Edge, limits: CellLimits
) -> None:
    cells = cells_in_view(TILTED, 40, edge, limits, "p.jpg")
    left = walked(TILTED, cells.grid)
    least = 0.999 if edge == "drop" else 1e-9
    worst = limits.worst_gsd_mm_per_px or math.inf
    counts = {}
    for reason, good in (
        ("partly outside the photo", lambda seen: seen[0] >= least),
        ("seen too obliquely", lambda seen: seen[2] <= limits.most_oblique_deg),
        ("too coarse", lambda seen: seen[1] <= worst),
    ):
        before, left = left, {at: seen for at, seen in left.items() if good(seen)}
        counts[reason] = len(before) - len(left)
    assert len(left) > 50  # so there is something to compare
    assert kept_corners(cells) == set(left)
    assert cells.dropped == tuple((reason, count) for reason, count in counts.items() if count)
    for row, col in cells.places():
        at = (round(cells.grid.x_min_mm + col * 40), round(cells.grid.y_min_mm + row * 40))
        share, gsd, angle = left[at]
        assert cells.inside_share[row, col] == pytest.approx(share)
        assert cells.oblique_deg[row, col] == pytest.approx(angle)
        if share == 1:
            assert cells.gsd_mm_per_px[row, col] == pytest.approx(gsd, rel=1e-4)


def test_where_the_horizon_is_in_sight_the_ground_ends_at_75_degrees() -> None:
    # 1 m * tan 75 = 3732 mm: 38 x 38 cells of 200 mm. All of them lie in the photo; those whose
    # middles lie beyond 1 m * tan 60 = 1732 mm are too oblique.
    cells = cells_in_view(FISHEYE, 200, "drop", CellLimits(), "p.jpg")
    middles = np.stack(np.meshgrid(np.arange(-3700, 3701, 200), np.arange(-3700, 3701, 200)))
    near = np.hypot(*middles) <= 1000 * math.tan(math.radians(60))
    assert cells.dropped == (("seen too obliquely", 38 * 38 - int(near.sum())),)
    assert int(cells.kept.sum()) == int(near.sum())
    assert cells.grid == GroundGrid(200, 18, 18, -1800, -1800)
    # Straight below, an equidistant fisheye is a pinhole of the same focal length; off its axis,
    # the pixels per radian are the same, and 1 radian away from the axis spans h / cos^2.
    at = cells.grid.x_min_mm + 100
    worst_rad = math.atan(math.hypot(at + 1600 - 100, at + 3400 + 100) / 1000)
    assert cells.gsd_mm_per_px[17, 8] == pytest.approx(
        1000 / 600 / math.cos(worst_rad) ** 2, rel=1e-4
    )


def test_limits_beyond_75_degrees_reach_further() -> None:
    # 1 m * tan 80 = 5671 mm, 56.7 cells from side to side: 57. To the sides the photo sees that
    # far, 1000 px being 95 degrees.
    cells = cells_in_view(FISHEYE, 200, "drop", CellLimits(None, 80), "p.jpg")
    assert cells.grid == GroundGrid(200, 57, 57, -5700, -5700)


def test_where_cells_out_to_75_degrees_would_be_too_many_fewer_are_counted() -> None:
    # 374 x 374 cells of 20 mm are more than 100 000; out to 60 degrees they are 174 x 174.
    cells = cells_in_view(FISHEYE, 20, "drop", CellLimits(), "p.jpg")
    middles = np.stack(np.meshgrid(np.arange(-1730, 1731, 20), np.arange(-1730, 1731, 20)))
    near = np.hypot(*middles) <= 1000 * math.tan(math.radians(60))
    assert cells.dropped == (("seen too obliquely", 174 * 174 - int(near.sum())),)
    with pytest.raises(CameraError, match="would cover 119716 cells"):
        cells_in_view(FISHEYE, 10.02, "drop", CellLimits(), "p.jpg")


def test_ground_of_less_than_a_cell_and_of_too_many_is_refused() -> None:
    with pytest.raises(PhotoError) as small:
        cells_in_view(PLAIN, 1010, "drop", CellLimits(), "p.jpg")
    assert small.value.what == (
        "covers 1333 x 1000 mm of ground, less than one cell of 1010 mm: not one whole cell fits"
    )
    assert small.value.where == "p.jpg"
    assert small.value.fix == (
        "check the height in the camera profile, or start a workspace of smaller cells"
    )
    with pytest.raises(PhotoError, match="not one whole cell fits"):
        cells_in_view(replace(PLAIN, width_px=3000, height_px=4000, centre_x_px=1499.5,
                              centre_y_px=1999.5), 1010, "drop", CellLimits(), "p")  # fmt: skip
    with pytest.raises(CameraError) as large:
        cells_in_view(PLAIN, 2, "drop", CellLimits(), "p.jpg")
    assert large.value.what == "would cover 333000 cells, too many, at 0.333333 mm/px"
    assert large.value.where == "p.jpg"
    assert large.value.fix == "check the height and the scale in the camera profile"


def test_a_run_over_photos_of_one_camera_lays_cells_once() -> None:
    first = cells_in_view(PLAIN, 50, "drop", CellLimits(), "p.jpg")
    assert cells_in_view(replace(PLAIN), 50, "drop", CellLimits(), "q.jpg") is first


def test_how_small_a_photo_may_be_decoded() -> None:
    # A cell of 50 mm at 1/3 mm per px has 150 px; for tiles of 96 px, 96 / 150 would lose
    # nothing, and 97 of 100 of that lose nothing that shows.
    cells = cells_in_view(PLAIN, 50, "drop", CellLimits(), "p.jpg")
    assert share_needed(cells, 96) == pytest.approx(0.97 * 96 / 150)
    # The worst of what is kept counts.
    worse = cells.gsd_mm_per_px.copy()
    worse[3, 4], worse[0, 0] = 0.5, 9.0
    kept = cells.kept.copy()
    kept[0, 0] = False
    assert share_needed(replace(cells, kept=kept, gsd_mm_per_px=worse), 96) == pytest.approx(
        0.97 * 96 / 100
    )


def test_the_net_of_corners_and_middles() -> None:
    grid = GroundGrid(50, 2, 3, -70, 20)
    assert lattice_mm(grid).shape == (3, 4, 2)
    assert lattice_mm(grid)[0].tolist() == [[-70, 20], [-20, 20], [30, 20], [80, 20]]
    assert lattice_mm(grid)[:, 0].tolist() == [[-70, 20], [-70, 70], [-70, 120]]
    assert lattice_mm(grid, 2).shape == (5, 7, 2)
    assert lattice_mm(grid, 2)[1, 3].tolist() == [5, 45]
    assert centres_mm(grid).tolist() == [
        [[-45, 45], [5, 45], [55, 45]],
        [[-45, 95], [5, 95], [55, 95]],
    ]


def test_a_photo_that_was_cut_otherwise_is_refused() -> None:
    profile = CameraProfile("cart", None, None, None, 1 / 3, None, None, None)
    scale = photo_scale(profile, ExifFacts(), 4000, 3000, "p.jpg")
    cells = cells_in_view(PLAIN, 50, "pad", CellLimits(None, 20), "p.jpg")
    photo = Photo("0" * 64, "p.jpg", "p.jpg", 4000, 3000, None, "cart", scale, cells.grid, 64,
                  "pad", profile, PLAIN, CellLimits(None, 20))  # fmt: skip
    assert cells_of_photo(photo) is cells
    with pytest.raises(PhotoError) as caught:
        cells_of_photo(replace(photo, grid=replace(cells.grid, x_min_mm=0.0)))
    assert caught.value.what == (
        "was cut by another version of weedset, which laid its grid otherwise"
    )
    assert caught.value.where == "p.jpg"
    assert caught.value.fix == "tile it again in a new workspace"
    with pytest.raises(PhotoError) as caught:
        cells_of_photo(replace(photo, grid=replace(cells.grid, cell_mm=5000.0), edge="drop"))
    assert caught.value.where == "p.jpg"
