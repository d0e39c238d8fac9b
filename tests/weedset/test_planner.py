"""The planner: against published and worked values."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import pytest
from typer.testing import CliRunner

from weedset.board.machine import Machine
from weedset.board.speeds import Work, expected_on
from weedset.cli import app
from weedset.errors import CameraError
from weedset.plan_plot import draw_plans
from weedset.planner import (
    BOARDS,
    Trip,
    at_height,
    depth_of_field_mm,
    in_words,
    plan,
    plans,
)
from weedset.records import CameraProfile, FieldOfView, FocalLength, Plants, Pose

CART = CameraProfile("cart", 600.0, 5.0, FocalLength(3.6, 1.4), None, None, None, None)
TRIP = Trip(2592, 1944, 50, 96, BOARDS["a72"], 12.9, 200.0, 2.0, 2.8)


def test_a_published_footprint() -> None:
    # Source: a public spreadsheet of a surveying program for a camera of 13.125 mm, 15.4 mm
    # lens, 4608 x 3456 px at 100 m: 1.85 cm/px, 85 x 64 m. Cells of 1 m: 85 x 63 whole ones.
    high = CameraProfile(
        "survey", 100_000.0, None, FocalLength(15.4, 13.125 / 4608 * 1000), None, None, None, None
    )
    seen = plan(high, Trip(4608, 3456, 1000, 32, BOARDS["a72"], 12.9))
    assert seen.gsd_mm_per_px == pytest.approx(18.5, abs=0.05)
    assert seen.covered_mm == (63_000, 85_000)
    assert seen.cells == 85 * 63


def test_motion_blur() -> None:
    # 0.5 m/s for 1/500 s is 1 mm; at 0.4 mm/px that is 2.5 px. By hand.
    declared = CameraProfile("c", 600.0, None, None, 0.4, None, None, None)
    seen = plan(declared, replace(TRIP, speed_mm_per_s=500, exposure_ms=2.0))
    assert (seen.blur_mm, seen.blur_px) == pytest.approx((1.0, 2.5))
    assert seen.sharp_speed_mm_per_s == pytest.approx(200)


def test_depth_of_field() -> None:
    # 50 mm at f/8, circle 0.03 mm, 3 m: hyperfocal distance 10.47 m, sharp from 2.34 to
    # 4.19 m. A textbook example (from memory), recomputed by hand.
    near, far = depth_of_field_mm(50, 8, 0.03, 3000)
    assert (near, far) == pytest.approx((2337, 4188), rel=2e-3)
    assert depth_of_field_mm(50, 8, 0.03, 11_000)[1] == math.inf
    # The thin lens itself: an object at the near limit makes a circle of exactly that size.
    focal, image = 50.0, 1 / (1 / 50 - 1 / 3000)
    there = 1 / (1 / 50 - 1 / near)
    assert abs(there - image) / there * focal / 8 == pytest.approx(0.03, rel=1e-3)


def test_predicted_times_hold_published_ones() -> None:
    # Source: XNNPACK's README, MobileNetV2 (300 million multiply-accumulates), int8: 30 ms on
    # 4x Cortex-A53 at 1.4 GHz (42 ms at 1.0 GHz, by clock) and 17 ms on 4x Cortex-A72. A photo
    # of one cell and next to no pixels: 10 mm from the lens, 9 mm of ground.
    near = CameraProfile("near", 10.0, None, FieldOfView(48.5, "width"), None, None, None, None)
    for name, published_ms in (("a53", 30 * 1.4), ("a72", 17.0)):
        seen = plan(near, Trip(16, 16, 9, 16, BOARDS[name], 300.0))
        assert seen.cells == 1
        low, likely, high = seen.photo_ms
        assert low < published_ms < high
        assert low < likely < high


def test_a_plan_and_a_board_expect_the_same_of_the_same_work() -> None:
    seen = plan(CART, TRIP)
    a72 = Machine("Cortex-A72", 4, 1800.0, 4000.0, 64)
    told = expected_on(a72, 4, Work(seen.cells, 12.9, 2592 * 1944 / 1e6))
    assert told is not None
    assert seen.photo_ms == (told.least_ms, told.about_ms, told.most_ms)


def test_raising_the_camera() -> None:
    low, high = plans(CART, TRIP, [600, 1200])
    assert high.gsd_mm_per_px == pytest.approx(2 * low.gsd_mm_per_px)
    assert high.cells >= 4 * low.cells  # partial cells at the edge count less
    assert high.blur_px == pytest.approx(low.blur_px / 2)  # type: ignore[operator]
    assert high.leaf_named_mm == low.leaf_named_mm  # the model's own pixels are coarser still
    fine = replace(TRIP, input_px=400)
    low, high = plans(CART, fine, [600, 1200])
    assert high.leaf_named_mm == pytest.approx(2 * low.leaf_named_mm)
    assert "Raising the camera from 600 to 1200 mm" in in_words(low, high)
    assert in_words(high, low).startswith("Lowering")


def test_speed_and_overlap_agree() -> None:
    # At the highest speed without gaps the next photo begins where the last one ended.
    seen = plan(CART, TRIP)
    at_limit = plan(CART, replace(TRIP, speed_mm_per_s=seen.gapless_speed_mm_per_s[1]))
    assert at_limit.overlap is not None
    assert at_limit.overlap[1] == pytest.approx(0)
    assert at_limit.overlap[0] < 0 < at_limit.overlap[2]
    sideways = plan(CART, replace(TRIP, along_width=True))
    assert sideways.covered_mm == seen.covered_mm[::-1]


def test_tilt_and_plants_are_reckoned_with() -> None:
    tilted = plan(replace(CART, pose=Pose(20)), replace(TRIP, input_px=400))
    assert tilted.worst_gsd_mm_per_px > 1.2 * tilted.gsd_mm_per_px
    tall = replace(CART, plants=Plants(0, 0, 100))
    with pytest.raises(CameraError, match="among the plants"):
        at_height(tall, 90)
    with pytest.raises(CameraError, match="states a scale but no height"):
        plan(CameraProfile("c", None, None, None, 0.4, None, None, None), TRIP)


def test_the_verb(tmp_path: Path) -> None:
    camera, plot = tmp_path / "c.toml", tmp_path / "p.svg"
    camera.write_text(
        'name = "c"\nheight_mm = 600\n[lens]\nfocal_length_mm = 3.6\npixel_pitch_um = 1.4\n'
    )
    words = ["plan", "--camera", str(camera), "--photo-px", "2592x1944", "--exposure-ms", "2"]
    result = CliRunner().invoke(app, [*words, "--plot", str(plot), "--speed-mm-s", "200"])
    assert result.exit_code == 0, result.output
    assert "Raising the camera from 600 to 1200 mm" in result.output
    assert "Johnson 1958" in result.output
    assert plot.read_text().startswith("<?xml")
    lines = result.stdout.splitlines()
    assert max(map(len, lines)) <= 80
    shown = {line[:27].strip(): line[27:].split() for line in lines}
    assert shown["scale, mm/px"][3] == f"{600 * 1.4 / 3600:.3f}"  # pitch * distance / focal length
    assert "sharp from, mm" not in shown  # no aperture was given
    # 50 mm are 96 px to the model: 0.521 mm/px, coarser than this photo up to 2.2 m.
    assert set(shown["worst in a tile"]) == {"0.521"}
    assert "Up to 1200 mm the model sets the worst scale" in result.output
    assert "stays at 6.8 mm" in result.output
    result = CliRunner().invoke(app, [*words, "--json"])
    rows = [json.loads(line) for line in result.stdout.splitlines()]
    assert [row["height_mm"] for row in rows] == sorted(row["height_mm"] for row in rows)
    assert CliRunner().invoke(app, words[:3]).exit_code == 2
    assert CliRunner().invoke(app, [*words[:3], "--photo-px", "12"]).exit_code == 2
    result = CliRunner().invoke(app, [*words, "--plot", str(tmp_path / "p.nothing")])
    assert result.exit_code == 1
    assert "ends in .png" in result.output


def test_a_profile_without_a_height_is_named_by_its_file(tmp_path: Path) -> None:
    camera = tmp_path / "ruler.toml"
    camera.write_text('name = "camera"\n[scale]\ngsd_mm_per_px = 0.3\nknown_object = true\n')
    result = CliRunner().invoke(app, ["plan", "--camera", str(camera), "--photo-px", "800x600"])
    assert result.exit_code == 1
    assert "ruler.toml: states a scale but no height" in result.output
    assert "measure from the lens to the soil" in result.output


def test_the_legend_of_the_plot_covers_no_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from matplotlib import pyplot

    kept = []
    monkeypatch.setattr(pyplot, "close", kept.append)
    rows = plans(CART, replace(TRIP, exposure_ms=2), [300, 450, 600, 900, 1200])
    draw_plans(rows, rows[2], tmp_path / "p.png")
    monkeypatch.undo()
    (figure,) = kept
    figure.canvas.draw()
    speed = figure.axes[3]
    assert speed.get_legend() is not None
    box = speed.get_legend().get_window_extent()
    for line in speed.get_lines():
        if line.get_label().startswith("_"):
            continue  # the marker of the height runs over the whole panel, behind the legend
        ends = speed.transData.transform(line.get_xydata())
        assert not any(box.contains(*point) for point in ends), line.get_label()
    pyplot.close(figure)
