"""Photo quality: against scikit-image, OpenCV and worked values."""

from __future__ import annotations

import json
from fractions import Fraction
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from PIL import Image, ImageFilter
from skimage.filters import threshold_otsu
from typer.testing import CliRunner

from weedset.cli import app
from weedset.greenness import vegetation
from weedset.quality import faults, measure, otsu_threshold, usual_limits
from weedset.records import Quality, QualityLimits

SIDE = 64


def one(tile: NDArray[np.uint8]) -> Quality:
    """Quality of a single tile."""
    return measure(tile, np.ones((1, 1), dtype=bool), tile.shape[0])[1]


def flat(*colour: int) -> NDArray[np.uint8]:
    return np.full((SIDE, SIDE, 3), colour, np.uint8)


def soil(seed: int = 0, spread: float = 12) -> NDArray[np.uint8]:
    noise = np.random.default_rng(seed).normal(0, spread, (SIDE, SIDE, 1))
    return np.clip(np.array([120, 100, 80]) + noise, 0, 255).astype(np.uint8)


# Worked by hand from the published definitions: ExG = 2g - r - b, ExR = 1.4r - g.
WORKED = {
    (100, 150, 50): 0.533333,
    (120, 100, 80): -0.226667,
    (60, 120, 40): 0.8,
    (128, 128, 128): -0.133333,
}


@pytest.mark.parametrize("colour", WORKED)
def test_vegetation_has_the_sign_of_the_published_difference(colour: tuple[int, ...]) -> None:
    assert bool(vegetation(np.array(colour, np.uint8))) is (WORKED[colour] > 0)


@given(st.tuples(*[st.integers(0, 255)] * 3))
def test_vegetation_in_whole_numbers_is_that_of_the_definition(
    colour: tuple[int, int, int],
) -> None:
    # Meyer & Camargo Neto 2008, in exact fractions.

    total = sum(colour)
    if total == 0:
        assert not vegetation(np.array(colour, np.uint8))
        return
    r, g, b = (Fraction(value, total) for value in colour)
    difference = (2 * g - r - b) - (Fraction(14, 10) * r - g)
    assert bool(vegetation(np.array(colour, np.uint8))) is (difference > 0)


def test_cover_is_the_share_of_green() -> None:
    tile = soil()
    tile[:, : SIDE // 4] = (60, 120, 40)
    assert one(tile).vegetation == pytest.approx(0.25)


@given(
    st.integers(0, 5000),
    st.floats(30, 110),
    st.floats(5, 25),
    st.floats(130, 220),
    st.floats(5, 25),
    st.floats(0.1, 0.9),
)
def test_otsu_is_that_of_scikit_image(
    seed: int, dark: float, spread: float, light: float, other: float, share: float
) -> None:
    # Source: skimage.filters.threshold_otsu; both say "light is above the level".
    rng = np.random.default_rng(seed)
    count = int(4000 * share)
    values = np.concatenate(
        [rng.normal(dark, spread, count), rng.normal(light, other, 4000 - count)]
    )
    grey = np.clip(values, 0, 255).astype(np.uint8)
    level, _ = otsu_threshold(np.bincount(grey, minlength=256))
    theirs = int(threshold_otsu(grey))
    # Where no value lies between the two levels they split alike.
    assert np.array_equal(grey > level, grey > theirs)


def test_otsu_on_the_worked_example() -> None:
    # 36 pixels of levels 0 to 5, a teaching example (from memory): split below 3, variance
    # between classes 2.6287 of 0.4909 + 2.6287.
    level, explains = otsu_threshold(np.array([8, 7, 2, 6, 9, 4]))
    assert level == 2
    assert explains == pytest.approx(2.6287 / (2.6287 + 0.4909), abs=1e-4)
    assert otsu_threshold(np.array([0, 9, 0])) == (0, 0.0)


def test_sharpness_is_the_variance_of_opencv_s_laplacian() -> None:
    tile = soil(3, 30)
    grey = cv2.cvtColor(tile, cv2.COLOR_RGB2GRAY)
    theirs = cv2.Laplacian(grey, cv2.CV_64F)[17:47, 17:47].var()  # the middle quarter
    assert one(tile).sharpness == pytest.approx(theirs, rel=1e-5)


def test_blur_lowers_sharpness_and_a_gradient_leaves_it() -> None:
    tile = soil(1, 30)
    soft = np.asarray(Image.fromarray(tile).filter(ImageFilter.GaussianBlur(2)))
    assert one(soft).sharpness < 0.1 * one(tile).sharpness
    ramp = np.repeat(np.linspace(40, 200, SIDE).astype(np.uint8)[None, :, None], SIDE, axis=0)
    assert one(np.repeat(ramp, 3, axis=2)).sharpness < 2


def test_light() -> None:
    assert one(flat(255, 255, 255)).overexposed == 1
    assert one(flat(255, 255, 255)).brightness == pytest.approx(1)
    assert one(flat(255, 120, 90)).overexposed == 0
    assert one(flat(3, 5, 2)).underexposed == 1
    assert one(flat(0, 0, 0)) == Quality(0, 0, 0, 1, 0, 0, 0)  # black is no plant, no glare
    half = flat(120, 100, 80)
    half[: SIDE // 2] = 255
    assert one(half).overexposed == pytest.approx(0.5)


def test_glare_is_bright_and_colourless() -> None:
    wet = soil()
    wet[:16, :16] = (240, 238, 244)
    assert one(wet).glare == pytest.approx(1 / 16)
    sand = flat(250, 225, 180)  # bright, but coloured
    assert one(sand).glare == 0


def test_shadow_is_the_dark_one_of_two_classes() -> None:
    tile = soil(2, 6)
    tile[:, : SIDE // 4] //= 3
    assert one(tile).shadow == pytest.approx(0.25, abs=0.02)
    assert one(soil(2, 6)).shadow == 0  # one class only
    mild = soil(2, 6)
    mild[:, : SIDE // 4] = mild[:, : SIDE // 4] // 10 * 8
    assert one(mild).shadow == 0  # not half as bright: no shadow to speak of
    tile[:, SIDE // 2 :] = (10, 40, 8)  # dark leaves are no shadow
    assert one(tile).shadow == pytest.approx(0.25, abs=0.02)


def test_each_tile_has_its_own_and_what_is_not_kept_does_not_count() -> None:
    picture = np.concatenate([flat(120, 100, 80), flat(60, 120, 40), flat(255, 255, 255)], axis=1)
    each, whole = measure(picture, np.array([[True, True, False]]), SIDE)
    assert [Quality(*row).vegetation for row in each.tolist()] == [0, 1]
    assert whole.vegetation == pytest.approx(0.5)
    assert whole.overexposed == 0


@pytest.mark.parametrize("side", [16, 17, 90, 127])
def test_any_size_of_tile_will_do(side: int) -> None:
    assert one(np.full((side, side, 3), (60, 120, 40), np.uint8)).vegetation == 1


def test_limits_name_what_is_beyond_them() -> None:
    good = Quality(100, 0.5, 0, 0, 0.1, 0, 0.2)
    assert faults(good, usual_limits([good])) == []
    bad = Quality(10, 0.9, 0.2, 0, 0.6, 0.1, 0.2)
    assert faults(bad, usual_limits([good, good, bad])) == [
        "sharpness", "brightness", "overexposed", "shadow", "glare",
    ]  # fmt: skip
    assert faults(good, QualityLimits(least_vegetation=0.3)) == ["vegetation"]
    assert faults(bad, QualityLimits()) == []


def test_the_verb_lists_filters_and_draws(tmp_path: Path) -> None:
    photos = tmp_path / "in"
    photos.mkdir()
    rng = np.random.default_rng(0)
    for i in range(4):
        noise = rng.normal(0, 25, (300, 400, 1))
        pixels = np.clip(np.array([120, 100, 80]) + noise, 0, 255).astype(np.uint8)
        image = Image.fromarray(pixels)
        if i == 2:
            image = image.filter(ImageFilter.GaussianBlur(3))
        if i == 3:
            image.paste((255, 255, 255), (0, 0, 200, 300))
        image.save(photos / f"p{i}.png")
    camera = tmp_path / "c.toml"
    camera.write_text('name = "c"\n[scale]\ngsd_mm_per_px = 0.5\n')
    garden = str(tmp_path / "g")
    runner = CliRunner()
    assert runner.invoke(app, ["quality", "-w", garden]).exit_code == 1  # no workspace yet
    runner.invoke(app, ["new", garden, "--tile-px", "64"])
    assert runner.invoke(app, ["quality", "-w", garden]).exit_code == 1  # nor a photo
    words = ["tile", str(photos), "--camera", str(camera), "--site", "s", "--on", "2026-05-04"]
    assert runner.invoke(app, [*words, "-w", garden]).exit_code == 0
    result = runner.invoke(app, ["quality", "-w", garden, "--json"])
    told = {line["photo"]: line for line in map(json.loads, result.stdout.splitlines())}
    assert told["p0.png"]["faults"] == []
    assert told["p2.png"]["faults"] == ["sharpness"]
    assert (told["p2.png"]["site"], told["p2.png"]["taken_on"]) == ("s", "2026-05-04")
    assert {"overexposed", "glare"} <= set(told["p3.png"]["faults"])
    words = ["quality", "-w", garden, "--tiles", "--only-bad", "--most-glare", "0.5", "--json"]
    cells = [json.loads(line) for line in runner.invoke(app, words).stdout.splitlines()]
    of_p3 = [cell for cell in cells if cell["photo"] == "p3.png"]
    assert {cell["col"] for cell in of_p3} == {0, 1}
    words = ["quality", "-w", garden, "--tiles", "--worst-gsd", "0.4", "--only-bad", "--json"]
    coarse = [json.loads(line) for line in runner.invoke(app, words).stdout.splitlines()]
    assert len(coarse) == 48
    assert all(cell["faults"][-1] == "gsd_mm_per_px" for cell in coarse)
    sheet = tmp_path / "sheet.png"
    result = runner.invoke(app, ["quality", "-w", garden, "--sheet", str(sheet), "--only-bad"])
    assert result.exit_code == 0
    assert "p0.png" not in result.stdout
    assert result.stdout.startswith("s 2026-05-04, p2.png: ")
    assert "4 photos, 2 beyond a limit: 1 by sharpness, 1 by " in result.output
    with Image.open(sheet) as drawn:
        assert drawn.width > 1500
        assert len(drawn.convert("RGB").resize((50, 20)).getcolors(1000)) > 20
    result = runner.invoke(app, ["quality", "-w", garden, "--tiles", "--only-bad"])
    (burnt,) = [line for line in result.stdout.splitlines() if "p3.png r0 c0" in line]
    assert burnt.startswith("s 2026-05-04, p3.png r0 c0: BAD: sharpness 0 (at least ")
    assert burnt.endswith("overexposed 1 (at most 0.05), glare 1 (at most 0.05)")
    assert runner.invoke(app, ["quality", "-w", garden, "--site", "t"]).exit_code == 1


def test_a_site_that_is_not_there_is_answered_with_those_that_are(tmp_path: Path) -> None:
    garden, camera, photo = (str(tmp_path / name) for name in ("g", "c.toml", "p.png"))
    Path(camera).write_text('name = "c"\n[scale]\ngsd_mm_per_px = 0.5\n')
    Image.fromarray(np.tile(soil(), (4, 4, 1))).save(photo)
    runner = CliRunner()
    runner.invoke(app, ["new", garden, "--tile-px", "64"])
    words = ["tile", photo, "--camera", camera, "--site", "school-beds", "--on", "2026-05-04"]
    assert runner.invoke(app, [*words, "-w", garden]).exit_code == 0
    result = runner.invoke(app, ["quality", "-w", garden, "--site", "shcool-beds"])
    assert result.exit_code == 1
    assert "no photo of site 'shcool-beds'; there are: school-beds" in result.output
    assert "did you mean 'school-beds'?" in result.output
    result = runner.invoke(app, ["quality", "-w", garden])
    assert "1 photo, 0 beyond a limit.\n" in result.output
    # A single photo fills the sheet instead of a sixth of it.
    sheet = tmp_path / "one.png"
    assert runner.invoke(app, ["quality", "-w", garden, "--sheet", str(sheet)]).exit_code == 0
    with Image.open(sheet) as drawn:
        assert 700 < drawn.width < 800


@pytest.mark.parametrize("shape", [(2, 6), (6, 2)])
def test_no_band_of_the_sheet_beside_a_wide_or_high_photo_is_empty(
    tmp_path: Path, shape: tuple[int, int]
) -> None:
    garden, camera, sheet = (str(tmp_path / name) for name in ("g", "c.toml", "s.png"))
    Path(camera).write_text('name = "c"\n[scale]\ngsd_mm_per_px = 0.5\n')
    Image.fromarray(np.tile(soil(), (*shape, 1))).save(tmp_path / "p.png")
    runner = CliRunner()
    runner.invoke(app, ["new", garden, "--tile-px", "64"])
    words = ["tile", str(tmp_path / "p.png"), "--camera", camera, "--site", "s"]
    assert runner.invoke(app, [*words, "--on", "2026-05-04", "-w", garden]).exit_code == 0
    assert runner.invoke(app, ["quality", "-w", garden, "--sheet", sheet]).exit_code == 0
    with Image.open(sheet) as drawn:
        pixels = np.asarray(drawn.convert("RGB")).astype(int)
    assert (pixels != (0xDA, 0xD6, 0xCC)).any(axis=2).all()  # the colour of ground without tiles
    paper = pixels[0, 0]
    across, down = shape[1] * 90, shape[0] * 90  # in px, somewhat less than what is drawn
    assert (pixels[10 : 10 + down, 10 : 10 + across] != paper).any(axis=2).all()
    assert drawn.height < (0.8 if shape[1] > shape[0] else 1.3) * drawn.width


def test_the_help_states_the_usual_limits() -> None:
    told = " ".join(CliRunner().invoke(app, ["quality", "--help"]).stdout.replace("│", " ").split())
    for limit in ("a quarter of the median", "0.05", "0.2", "0.5", "none"):
        assert f"Usual limit: {limit}" in told
