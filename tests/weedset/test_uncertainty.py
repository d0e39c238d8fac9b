"""Uncertainty of positions and of plant sizes: against random trials with other code."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sample_data.camera import Camera, ground_to_pixel, pixel_to_ground
from weedset.cells import CellsInView, cells_in_view, centres_mm
from weedset.records import (
    CalibratedLens,
    CameraProfile,
    CellLimits,
    ExifFacts,
    FieldOfView,
    Plants,
    Pose,
)
from weedset.scale import photo_scale, photo_view
from weedset.uncertainty import (
    position_uncertainty_mm,
    relief_displacement_mm,
    relief_scale_error,
)

CAMERA = Camera(1600, 1200, 2000, 600, pitch_deg=20, roll_deg=-8, k1=-0.1, k2=0.02)
LENS = CalibratedLens(2000, 799.5, 599.5, focal_uncertainty_px=12, centre_uncertainty_px=5)
DECLARED = CameraProfile("d", None, None, None, 0.5, 0.01, None, None)


def profile(**more: object) -> CameraProfile:
    from weedset.records import Distortion

    made = CameraProfile(
        "cart", 600, 4.0, LENS, None, None, 1600, 1200,
        pose=Pose(20, -8, 0.5),
        distortion=Distortion("brown-conrady", (-0.1, 0.02, 0, 0, 0)),
        plants=Plants(20, 0, 60),
    )  # fmt: skip
    return replace(made, **more)  # type: ignore[arg-type]


def seen(made: CameraProfile) -> tuple[CellsInView, np.ndarray]:
    asked = (made, ExifFacts(), 1600, 1200, "p.jpg")
    cells = cells_in_view(photo_view(*asked), 50, "drop", CellLimits(), "p.jpg")
    return cells, position_uncertainty_mm(cells, made, photo_scale(*asked))


def test_relief_is_that_of_similar_triangles() -> None:
    # A 100 mm plant 300 mm from below a lens 600 mm high: 300 * 100 / 500 = 60 mm, by hand;
    # and what the drawn camera (checked against OpenCV by itself) sees of such a plant.
    assert relief_displacement_mm(300, 100, 600) == pytest.approx(60)
    top = ground_to_pixel(CAMERA, [180.0, -240.0], 100.0)
    apparent = pixel_to_ground(CAMERA, top)
    assert np.hypot(*apparent) - 300 == pytest.approx(60, rel=1e-6)


def test_plants_look_larger_by_how_much_nearer_they_are() -> None:
    # On a plane at 20 mm of 600, seen from 580 mm: a top at 60 mm is seen from 540 mm, so
    # 580/540 as large; the soil from 600 mm, so 580/600. By hand.
    assert relief_scale_error(profile()) == pytest.approx(580 / 540 - 1)
    tall_plane = profile(plants=Plants(60, 0, 60))
    assert relief_scale_error(tall_plane) == pytest.approx(1 - 540 / 600)
    assert relief_scale_error(DECLARED) is None


def test_positions_scatter_as_much_as_stated() -> None:
    # Source: 400 random trials with the drawn camera, each fact drawn from the spread stated.
    cells, stated_mm = seen(profile())
    rng = np.random.default_rng(5)
    places = centres_mm(cells.grid)[cells.kept][::7]
    pixels = ground_to_pixel(CAMERA, places, 20.0)
    off = []
    for _ in range(400):
        height, focal = rng.normal(600, 4), rng.normal(2000, 12)
        off_x, off_y = rng.normal(799.5, 5), rng.normal(599.5, 5)
        other = replace(
            CAMERA, height_mm=height, focal_px=focal, pitch_deg=rng.normal(20, 0.5),
            roll_deg=rng.normal(-8, 0.5), centre_x_px=off_x, centre_y_px=off_y,
        )  # fmt: skip
        plant_mm = rng.uniform(0, 60)
        # Where the plant really is, against where the middle of its cell is said to be.
        off.append(pixel_to_ground(other, pixels, plant_mm) - places)
    scatter_mm = np.sqrt((np.array(off) ** 2).sum(axis=-1).mean(axis=0))
    assert stated_mm[cells.kept][::7] == pytest.approx(scatter_mm, rel=0.08)


def test_a_scale_that_was_declared_is_uncertain_in_proportion() -> None:
    # 0.01 of 0.5 mm/px is 2 %: at 200 mm from the middle 4 mm, by hand.
    cells, stated_mm = seen(replace(DECLARED, height_mm=800, pose=Pose(uncertainty_deg=0)))
    radius = np.hypot(*np.moveaxis(centres_mm(cells.grid), -1, 0))
    assert stated_mm == pytest.approx(radius * 0.02)


def test_what_is_not_stated_is_not_invented() -> None:
    assert np.isnan(seen(profile(height_uncertainty_mm=None))[1]).all()
    # Of a scale without a height nobody knows how far a tilt moves what is seen.
    assert np.isnan(seen(DECLARED)[1]).all()
    plain = replace(DECLARED, height_mm=800, declared_uncertainty_mm_per_px=None)
    assert np.isnan(seen(plain)[1]).all()


def test_an_unstated_tilt_counts_as_a_degree() -> None:
    # Straight below a level camera only the tilt matters: 600 mm * tan(1 degree) each way.
    level = CameraProfile(
        "p", 600, 0.0, FieldOfView(40, "width"), None, None, None, None,
    )  # fmt: skip
    cells, stated_mm = seen(level)
    nearest = stated_mm.ravel()[np.hypot(*np.moveaxis(centres_mm(cells.grid), -1, 0)).argmin()]
    assert nearest == pytest.approx(600 * np.tan(np.radians(1)) * np.sqrt(2), rel=0.02)
