"""From printed sheet to trusted profile, by the commands a gardener types."""

from __future__ import annotations

import base64
import json
import re
import zlib
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from typer.testing import CliRunner

from tests.weedset.test_calibrate import (
    HEIGHT_MM,
    NORMAL,
    PITCH_DEG,
    ROLL_DEG,
    on_the_ground,
    projected,
)
from weedset.calibrate import Fit, FittedLens
from weedset.cli import app
from weedset.corners import SQUARE_MM, SQUARES
from weedset.errors import CameraError, CheckNotPassedError
from weedset.profile import read_camera_profile
from weedset.records import CalibratedLens, Distortion
from weedset.sheet import draw_sheet
from weedset.verdict import profile_of_fit, verdict


@pytest.fixture(scope="module")
def calibrated(drawn: Path) -> Path:
    out = drawn / "cart.toml"
    result = run("calibrate", drawn / "held", "--ground", drawn / "ground.jpg", "--out", out)
    assert result.exit_code == 0, result.output
    assert "verdict: good" in result.output
    return out


def run(*words: object):  # type: ignore[no-untyped-def]  # click's Result is vendored
    return CliRunner().invoke(app, ["camera", *map(str, words)])


def test_calibration_finds_the_drawn_camera(calibrated: Path) -> None:
    # Target: height within 1 %, tilt within 0.2 degrees, with noise.
    profile = read_camera_profile(calibrated)
    assert profile.height_mm == pytest.approx(HEIGHT_MM, rel=0.01)
    assert profile.pose.pitch_deg == pytest.approx(PITCH_DEG, abs=0.2)
    assert profile.pose.roll_deg == pytest.approx(ROLL_DEG, abs=0.2)
    assert isinstance(profile.lens, CalibratedLens)
    assert profile.lens.focal_px == pytest.approx(NORMAL.focal_px, rel=0.01)
    assert profile.calibration is not None
    assert profile.calibration.photos == 9
    assert profile.height_uncertainty_mm is not None
    assert profile.pose.uncertainty_deg is not None


def test_a_photo_of_the_ground_counts_once_however_it_is_named(
    drawn: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    given: list[list[str]] = []

    def take(held: list[Path], on_ground: list[Path], *_: object) -> None:
        given.extend([path.name for path in paths] for paths in (held, on_ground))
        raise CameraError("has seen enough")

    monkeypatch.setattr("weedset.corners.find_board", lambda path: path)
    monkeypatch.setattr("weedset.calibrate.fit_camera", take)
    ground = drawn / "held" / ".." / "ground.jpg"
    run("calibrate", drawn / "held", drawn / "ground.jpg", "--ground", ground, "--out", "c.toml")
    assert given[1] == ["ground.jpg"]
    assert given[0]
    assert "ground.jpg" not in given[0]


def test_a_profile_that_is_there_is_told_before_photos_are_searched(
    drawn: Path, calibrated: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def search(path: Path) -> None:
        raise AssertionError(path)

    monkeypatch.setattr("weedset.corners.find_board", search)
    result = run("calibrate", drawn / "held", "--out", calibrated)
    assert result.exit_code == 1
    assert "is there already" in result.output


def test_a_good_profile_agrees_and_a_changed_one_does_not(drawn: Path, calibrated: Path) -> None:
    result = run("check", calibrated, drawn / "ground.jpg", "--json")
    assert result.exit_code == 0, result.output
    told = json.loads(result.stdout.splitlines()[0])
    assert told["ratio"] == pytest.approx(1, abs=0.005)
    assert told["tilt_left_deg"] < 0.3
    # The camera was raised by 5 % and nobody told the profile.
    text = calibrated.read_text()
    raised = drawn / "raised.toml"
    raised.write_text(with_height(text, HEIGHT_MM * 1.05))
    result = run("check", raised, drawn / "ground.jpg")
    assert result.exit_code == 3
    assert "off by +5" in result.output
    # The bracket has slipped by three degrees.
    slipped = drawn / "slipped.toml"
    slipped.write_text(text.replace("pitch_deg = ", "pitch_deg = 3.0 #", 1))
    told = json.loads(run("check", slipped, drawn / "ground.jpg", "--json").stdout.splitlines()[0])
    assert told["tilt_left_deg"] == pytest.approx(PITCH_DEG - 3, rel=0.15)


def with_height(profile: str, height_mm: float) -> str:
    return re.sub(r"height_mm = [\d.]+", f"height_mm = {height_mm}", profile, count=1)


def ends_of_the_ruler() -> tuple[str, str, float]:
    """Two far corners of the board on the ground: X,Y of each, and how far apart."""
    pixels = projected(NORMAL, *on_the_ground())
    first, last = pixels[0], pixels[SQUARES[0] - 2]
    return (
        f"{first[0]:.2f},{first[1]:.2f}",
        f"{last[0]:.2f},{last[1]:.2f}",
        SQUARE_MM * (SQUARES[0] - 2),
    )


def test_a_known_length_checks_a_profile_too(drawn: Path, calibrated: Path) -> None:
    first, last, length_mm = ends_of_the_ruler()
    words = ["--from", first, "--to", last, "--length-mm", length_mm]
    result = run("check", calibrated, drawn / "ground.jpg", *words)
    assert result.exit_code == 0, result.output
    words[-1] = length_mm * 1.08
    assert run("check", calibrated, drawn / "ground.jpg", *words).exit_code == 3
    assert run("check", calibrated, drawn / "ground.jpg", "--from", first).exit_code == 2


def test_a_known_length_gives_the_height_of_a_calibrated_camera(
    drawn: Path, calibrated: Path
) -> None:
    first, last, length_mm = ends_of_the_ruler()
    wrong = drawn / "wrong_height.toml"
    wrong.write_text(with_height(calibrated.read_text(), 900))
    out = drawn / "right_height.toml"
    result = run(
        "from-object", drawn / "ground.jpg", "--from", first, "--to", last,
        "--length-mm", length_mm, "--camera", wrong, "--out", out,
    )  # fmt: skip
    assert result.exit_code == 0, result.output
    profile = read_camera_profile(out)
    assert profile.height_mm == pytest.approx(HEIGHT_MM, rel=0.01)
    assert profile.height_uncertainty_mm is not None


def test_a_known_length_gives_a_scale(tmp_path: Path) -> None:
    # 300 mm over 600 px is 0.5 mm/px. Ends to 2 px each are sqrt(2) * 2 / 600, the length to
    # 0.5 / 300: by hand 0.498 % together.
    Image.new("RGB", (800, 600), "tan").save(tmp_path / "p.jpg")
    out = tmp_path / "c.toml"
    words = ["from-object", tmp_path / "p.jpg", "--out", out, "--length-mm", 300]
    result = run(*words, "--from", "100,80", "--to", "700,80")
    assert result.exit_code == 0, result.output
    # 800 x 600 px at 0.5 mm: what anyone can compare with the ground, a length in cm is told by.
    assert "the whole photo shows 400 x 300 mm of ground" in " ".join(result.stderr.split())
    profile = read_camera_profile(out)
    assert profile.declared_gsd_mm_per_px == pytest.approx(0.5)
    assert profile.declared_uncertainty_mm_per_px == pytest.approx(0.5 * 0.00500, rel=0.01)
    assert profile.known_object
    for ends, said in (
        (("100,80", "110,80"), "too close to measure by"),
        (("100,80", "900,80"), "is not in the photo"),
        (("100,80", "900,80"), "do: count pixels from its upper left corner"),
    ):
        result = run(*words, "--from", ends[0], "--to", ends[1])
        assert result.exit_code == 1
        assert said in result.output
    assert run(*words, "--from", "100", "--to", "700,80").exit_code == 2


def test_calibration_without_ground_asks_for_the_height(drawn: Path, tmp_path: Path) -> None:
    result = run("calibrate", drawn / "held", "--out", tmp_path / "c.toml")
    assert result.exit_code == 3
    assert "--height-mm" in result.output
    assert not (tmp_path / "c.toml").exists()


def test_photos_without_the_board_are_told_and_left_out(drawn: Path, tmp_path: Path) -> None:
    for i in range(3):
        Image.new("RGB", (400, 300), "tan").save(tmp_path / f"soil{i}.jpg")
    result = run("calibrate", tmp_path, "--out", tmp_path / "c.toml")
    assert result.exit_code == 1
    assert result.output.count("shows no whole board of 10 x 7 squares") == 3
    assert "0 photos of the board, too few" in result.output


def page_of(pdf: bytes) -> tuple[list[float], str]:
    """Size of the page and its drawing, by what ISO 32000 says of PDF files."""
    box = re.search(rb"/MediaBox \[([\d. ]+)\]", pdf)
    stream = re.search(rb"stream\r?\n(.*?)~>\s*endstream", pdf, re.DOTALL)
    assert box
    assert stream
    packed = base64.a85decode(stream[1].strip())
    return [float(x) for x in box[1].split()], zlib.decompress(packed).decode()


@pytest.mark.parametrize(("paper", "size_mm"), [("a4", (297, 210)), ("letter", (279.4, 215.9))])
def test_the_sheet_is_true_to_scale(paper: str, size_mm: tuple[float, float]) -> None:
    # ISO 32000: a unit is 1/72 inch. ISO 216: A4 is 210 x 297 mm; Letter is 8.5 x 11 inch.
    box, drawing = page_of(draw_sheet(paper))
    assert np.array(box[2:]) / 72 * 25.4 == pytest.approx(size_mm, abs=0.1)
    # Nothing but one change of unit, from 1/72 inch to mm, stands before the squares.
    units = re.findall(r"([\d.]+) 0 0 ([\d.]+) 0 0 cm", drawing.partition(" re f")[0])
    scale = np.prod(np.array(units, float), axis=0)
    assert scale == pytest.approx([72 / 25.4] * 2, rel=1e-5)
    squares = [
        [float(x) for x in found]
        for found in re.findall(r"([\d.]+) ([\d.]+) ([\d.]+) ([\d.]+) re f", drawing)
    ]
    assert len(squares) == 35  # half of 10 x 7
    assert {(w, h) for _, _, w, h in squares} == {(24.0, 24.0)}
    x, y = (np.array([square[i] for square in squares]) for i in (0, 1))
    assert (x.max() - x.min(), y.max() - y.min()) == pytest.approx((9 * 24, 6 * 24))
    lines = [
        [float(v) for v in found]
        for found in re.findall(r"([\d.-]+) ([\d.-]+) m ([\d.-]+) ([\d.-]+) l S", drawing)
    ]
    lengths = sorted(np.hypot(x1 - x0, y1 - y0) for x0, y0, x1, y1 in lines)
    assert lengths[-2:] == pytest.approx([150, 200])
    assert x.min() > 12  # printers leave the edges blank
    assert draw_sheet(paper) == draw_sheet(paper)


def test_the_sheet_is_written(tmp_path: Path) -> None:
    result = run("sheet", tmp_path / "board.pdf", "--paper", "letter")
    assert result.exit_code == 0
    assert (tmp_path / "board.pdf").read_bytes().startswith(b"%PDF-")


def fit_like(**more: object) -> Fit:
    lens = FittedLens(
        1000, 750, 770.0, 500, 375, Distortion("brown-conrady", (0.0,) * 5),
        **{"focal_uncertainty_px": 2.0, "centre_uncertainty_px": 1.0},
    )  # fmt: skip
    facts = {
        "lens": lens, "pose": None, "error_px": 0.2, "errors_px": (("a.jpg", 0.2),) * 8,
        "covered": 0.9, "angle_deg": 50.0,
    } | more  # fmt: skip
    return Fit(**facts)  # type: ignore[arg-type]


def test_verdicts_in_plain_words() -> None:
    assert verdict(fit_like()) == ("good", [])
    worth, hints = verdict(fit_like(covered=0.2, angle_deg=20.0))
    assert worth == "usable"
    assert "corners" in hints[0]
    assert "20 degrees" in hints[1]
    one_bad = (*((("a.jpg", 0.2),) * 7), ("b.jpg", 0.9))
    assert "b.jpg fits worse" in verdict(fit_like(errors_px=one_bad))[1][0]
    assert verdict(fit_like(error_px=2.0))[0] == "poor"
    with pytest.raises(CheckNotPassedError, match="of no use"):
        profile_of_fit(fit_like(error_px=2.0), "c", "2026-05-04", (600, None))


def test_exif_is_explained(tmp_path: Path) -> None:
    exif = Image.Exif()
    exif[0x0112] = 6
    exif.get_ifd(0x8769).update({0xA405: 26, 0x920A: 4.2, 0xA404: 1.0})
    Image.new("RGB", (4032, 3024)).save(tmp_path / "phone.jpg", exif=exif)
    result = run("explain", tmp_path / "phone.jpg", "--json")
    told = {line["name"]: line for line in map(json.loads, result.stdout.splitlines())}
    # 26 mm over a diagonal of 5040 px and 43.2666 mm: 3028.66 px, computed with OpenCV.
    assert "3029 px" in told["35 mm equivalent"]["gives"]
    assert told["orientation"]["says"] == "turned to the right by a quarter"
    assert told["size"]["says"] == "3024 x 4032 px upright"
    assert told["height above ground"]["says"] is None
    assert "26 mm" in run("explain", tmp_path / "phone.jpg").stdout
    assert told["together"]["gives"].startswith("This photo alone gives no scale.")


@pytest.mark.parametrize(
    ("tags", "said"),
    [
        ({0xA405: 26}, "Measure the height of the lens"),
        ({0x920A: 4.2}, "lacks the pixel pitch"),
        ({}, "lacks a lens"),
        ({0xA405: 26, 0xA404: 2.0}, "Take it without zoom"),
    ],
)
def test_the_explanation_ends_with_what_to_do(
    tags: dict[int, float], said: str, tmp_path: Path
) -> None:
    exif = Image.Exif()
    exif.get_ifd(0x8769).update(tags)
    photo = tmp_path / "p.jpg"
    Image.new("RGB", (400, 300)).save(photo, exif=exif)
    *_, words, command = run("explain", photo).stdout.splitlines()
    assert said in words
    assert command.startswith(f"    weedset camera from-object {photo} --from")


def test_a_ruler_profile_that_is_off_is_to_be_measured_again(tmp_path: Path) -> None:
    photo, out = tmp_path / "p.jpg", tmp_path / "c.toml"
    Image.new("RGB", (800, 600), "tan").save(photo)
    words = ["--from", "100,80", "--to", "700,80", "--length-mm"]
    assert run("from-object", photo, *words, 300, "--out", out).exit_code == 0
    kept = out.read_bytes()
    again = run("from-object", photo, *words, 200, "--out", out)
    assert again.exit_code == 1
    assert "is there already" in again.output
    assert out.read_bytes() == kept
    result = run("check", out, photo, *words, 330)
    assert result.exit_code == 3
    assert "measure the object again with `weedset camera from-object`" in result.output
    assert "calibrate" not in result.output


def test_points_are_said_to_be_upright_and_without_blanks() -> None:
    for verb in ("from-object", "check"):
        told = " ".join(run(verb, "--help").stdout.replace("│", " ").split())
        assert told.count("In px of the upright photo, with a comma and no blank") == 2
