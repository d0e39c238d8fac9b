"""Guards only ever leave more alone, and say why."""

from __future__ import annotations

import io
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageFilter
from tiny_model import camera, other_card, write_model

from weedset.board.classify import ClassifiedCell, ClassifiedPhoto, classify_photo
from weedset.board.clock import now_s
from weedset.board.decide import Rule
from weedset.board.eye import Eye
from weedset.board.guards import Guards, Look, kept_out, look_at, picture_fault, stale
from weedset.board.model import open_model
from weedset.errors import PhotoError
from weedset.records import ANY_PLANT, Action, Decision, Policy

CHEAL_BED = Policy("bed", frozenset({"CHEAL"}), frozenset())
RED = (248, 2, 2)


def rough(colour: tuple[int, int, int] = RED, size: tuple[int, int] = (400, 300)) -> np.ndarray:
    noise = np.random.default_rng(sum(colour)).integers(-2, 8, (size[1], size[0], 3))
    return (np.array(colour) + noise).clip(0, 255).astype(np.uint8)


@pytest.fixture
def eye(tmp_path: Path) -> Eye:
    return Eye(open_model(write_model(tmp_path / "m.onnx")), camera(), CHEAL_BED)


def treated(photo: ClassifiedPhoto) -> int:
    return sum(cell.decision.action is Action.TREAT for cell in photo.cells)


@pytest.mark.parametrize("sigma_px", [1.0, 1.5, 2.0, 3.0])
def test_detail_of_blurred_noise_is_that_of_its_correlation(sigma_px: float) -> None:
    """White noise under a Gaussian: places d apart correlate by exp(-d^2 / 4 sigma^2)."""
    noise = np.random.default_rng(1).integers(0, 256, (1200, 1200), dtype=np.uint8)
    # Pillow's own Gaussian is three boxes, so blur by the definition.
    at = np.arange(-15, 16)
    kernel = np.exp(-(at**2) / (2 * sigma_px**2))
    blurred = noise.astype(float)
    for _ in range(2):
        blurred = np.apply_along_axis(np.convolve, 0, blurred, kernel / kernel.sum(), "same").T
    blurred = 128 + (blurred - 127.5) * sigma_px  # else rounding to whole levels is noise
    grey = Image.fromarray(blurred.clip(0, 255).round().astype(np.uint8)).convert("RGB")
    expected = (1 - math.exp(-1 / (4 * sigma_px**2))) / (1 - math.exp(-16 / (4 * sigma_px**2)))
    assert look_at(grey).detail == pytest.approx(expected, rel=0.08)


def test_contrast_does_not_matter_and_flat_has_no_detail() -> None:
    noise = np.random.default_rng(1).integers(0, 256, (400, 400, 3), dtype=np.uint8)
    strong, weak = Image.fromarray(noise), Image.fromarray(100 + noise // 8)
    assert look_at(strong).detail == pytest.approx(1, abs=0.05)
    assert look_at(weak).detail == pytest.approx(1, abs=0.05)
    assert look_at(Image.new("RGB", (400, 400), RED)) == Look(pytest.approx(0.298, abs=0.01), 0.0)


@pytest.mark.parametrize(
    ("look", "starts"),
    [
        (Look(0.4, 0.2), None),
        (Look(0.1, 0.2), "too little light"),
        (Look(0.9, 0.2), "too much light"),
        (Look(0.4, 0.05), "blurred"),
        (Look(0.4, math.nan), "blurred"),
    ],
)
def test_a_bad_picture_is_told(look: Look, starts: str | None) -> None:
    fault = picture_fault(look, Guards())
    assert fault is None if starts is None else (fault or "").startswith(starts)
    assert picture_fault(look, Guards(None, None, None)) is None


def test_what_is_just_good_enough_is() -> None:
    assert picture_fault(Look(0.15, 0.1), Guards()) is None
    assert picture_fault(Look(0.85, 0.1), Guards()) is None


def test_only_the_middle_half_of_each_side_counts() -> None:
    # 40 x 60 px, by hand: white but for the middle, from 10 to 30 and from 15 to 45.
    picture = Image.new("RGB", (40, 60), "white")
    picture.paste((0, 0, 0), (10, 15, 30, 45))
    assert look_at(picture) == Look(0.0, 0.0)
    assert look_at(Image.new("RGB", (40, 60), "white")) == Look(1.0, 0.0)


def test_stale_by_age_and_by_a_clock_that_is_wrong() -> None:
    assert stale(0, Guards()) is stale(1000, Guards()) is None
    assert stale(9e9, Guards(stale_after_ms=None)) is None
    assert "1.5 s old" in (stale(1500, Guards()) or "")
    assert "clock is wrong" in (stale(-1, Guards()) or "")
    assert stale(math.nan, Guards()) is not None


def row_of_cells(eye: Eye, tmp_path: Path, other: ClassifiedCell) -> ClassifiedPhoto:
    """One row of 8 cells of 50 mm, CHEAL in each but the last, which is `other`."""
    Image.fromarray(rough(size=(800, 100))).save(tmp_path / "row.png")
    photo = classify_photo(eye.model, tmp_path / "row.png", camera(), CHEAL_BED)
    assert treated(photo) == len(photo.cells) == 8
    last = photo.cells[7]
    other = replace(other, row=0, col=7, x_mm=last.x_mm, y_mm=last.y_mm)
    return replace(photo, cells=(*photo.cells[:7], other))


@pytest.mark.parametrize(
    ("species", "keep_out_mm", "off_mm", "left"),
    [
        # The middle of column c lies 50 * (7 - c) - 25 mm from the near edge of column 7.
        ("DAUCS", 25.0, 0.0, 0),
        ("DAUCS", 25.1, 0.0, 1),
        ("DAUCS", 10.0, 10.0, 1),  # 10 + 2 * 10 = 30
        ("DAUCS", 10.0, 40.0, 2),  # 90
        ("DAUCS", 10.0, None, 2),  # a cell, 50: 110
        (ANY_PLANT, 30.0, 0.0, 1),
        ("CHEAL", 300.0, 0.0, 0),  # may be removed, but less surely than treating needs
        (None, 300.0, 0.0, 0),
    ],
)
def test_keep_out_around_what_must_not_be_hurt(
    eye: Eye,
    tmp_path: Path,
    species: str | None,
    keep_out_mm: float,
    off_mm: float | None,
    left: int,
) -> None:
    decision = Decision(Action.UNSURE if species in ("CHEAL", ANY_PLANT) else Action.LEAVE, "")
    other = ClassifiedCell(0, 0, 0, 0, (0.5,) * 4, decision, species, off_mm)
    photo = kept_out(row_of_cells(eye, tmp_path, other), Guards(keep_out_mm=keep_out_mm))
    assert treated(photo) == 7 - left
    for cell in photo.cells[7 - left : 7]:
        assert f"{species} may be" in cell.decision.reason
    assert photo.cells[7].decision == decision


@pytest.mark.parametrize(("answer", "left"), [(math.nan, 1), (1.5, 1), (0.0, 0)])
def test_keep_out_around_a_cell_of_which_the_model_told_nothing(
    eye: Eye, tmp_path: Path, answer: float, left: int
) -> None:
    """The rule leaves such a cell alone and names no species; a crop may well stand in it."""
    answers = (0.0, 0.0, answer, 0.0)
    decision, species = Rule(eye.model.card, CHEAL_BED).weigh(answers)
    other = ClassifiedCell(0, 0, 0, 0, answers, decision, species, 0.0)
    photo = kept_out(row_of_cells(eye, tmp_path, other), Guards(keep_out_mm=30.0))
    assert treated(photo) == 7 - left
    assert "anything may be 25 mm away" in photo.cells[6].decision.reason or not left


@pytest.mark.parametrize(("skipped", "left"), [(False, 1), (True, 0)])
def test_keep_out_around_a_cell_too_coarse_to_ask_of(
    eye: Eye, tmp_path: Path, skipped: bool, left: int
) -> None:
    """Nobody knows what it holds; of one that the gate skipped, that it holds nothing green."""
    decision = Decision(Action.LEAVE, "")
    other = ClassifiedCell(0, 0, 0, 0, (), decision, None, 0.0, skipped=skipped)
    photo = kept_out(row_of_cells(eye, tmp_path, other), Guards(keep_out_mm=30.0))
    assert treated(photo) == 7 - left
    assert "anything may be 25 mm away" in photo.cells[6].decision.reason or not left


def test_a_tool_without_reach_can_turn_the_guard_off(eye: Eye, tmp_path: Path) -> None:
    other = ClassifiedCell(0, 0, 0, 0, (), Decision(Action.LEAVE, ""), "DAUCS", None)
    photo = row_of_cells(eye, tmp_path, other)
    assert kept_out(photo, Guards(keep_out_mm=None)) is photo


def test_a_photo_that_is_blurred_or_dark_is_left_alone_whole(eye: Eye, tmp_path: Path) -> None:
    sharp = Image.fromarray(rough())
    sharp.save(tmp_path / "sharp.png")
    sharp.filter(ImageFilter.GaussianBlur(4)).save(tmp_path / "blurred.png")
    Image.fromarray(rough((40, 0, 0))).save(tmp_path / "dark.png")
    assert treated(eye.photo(tmp_path / "sharp.png")) == 12
    for name, word in (("blurred", "blurred: detail"), ("dark", "too little light")):
        photo = eye.photo(tmp_path / f"{name}.png")
        assert treated(photo) == 0
        assert all(cell.decision.reason.startswith(word) for cell in photo.cells)


def test_frames_that_are_late_repeated_or_of_another_size_are_left_alone(eye: Eye) -> None:
    first, second = rough(), rough((247, 2, 2))
    assert treated(eye.frame(first, "1", now_s())) == 12
    again = eye.frame(first, "2", now_s())
    assert {cell.decision.reason for cell in again.cells} == {
        "stale: the very frame that came before"
    }
    late = eye.frame(second, "3", now_s() - 60)
    assert late.cells[0].decision.reason.startswith("stale: the photo is 60.")
    other = eye.frame(rough((246, 2, 2), (500, 300)), "4", now_s())
    assert "size changed: it is 500 x 300 px, but the first was 400 x 300" in (
        other.cells[0].decision.reason
    )
    assert treated(late) + treated(other) + treated(again) == 0
    assert treated(eye.frame(first, "5", now_s())) == 12


def jpeg(pixels: np.ndarray, orientation: int) -> bytes:
    exif = Image.Exif()
    exif[0x0112] = orientation  # EXIF 2.32
    buffer = io.BytesIO()
    Image.fromarray(pixels).save(buffer, "JPEG", quality=98, subsampling=0, exif=exif)
    return buffer.getvalue()


@pytest.mark.parametrize(("first", "turned"), [(1, 3), (3, 1), (6, 8)])
def test_frames_of_a_camera_that_turns_its_picture_are_left_alone(
    eye: Eye, first: int, turned: int
) -> None:
    """One that looks straight down cannot tell which side is up, and may think otherwise."""
    frames = [rough((248 - number, 2, 2)) for number in range(3)]
    assert treated(eye.frame(jpeg(frames[0], first), "1", now_s())) == 12
    seen = eye.frame(jpeg(frames[1], turned), "2", now_s())
    assert {cell.decision.reason for cell in seen.cells} == {
        f"the camera's picture turned: EXIF orientation is {turned}, but the first was {first}"
    }
    assert treated(eye.frame(jpeg(frames[2], first), "3", now_s())) == 12


def test_a_camera_too_coarse_for_the_model_is_left_alone(tmp_path: Path) -> None:
    model = open_model(write_model(tmp_path / "m.onnx", other_card(gsd_max_mm_per_px=0.3)))
    seen = Eye(model, camera(), CHEAL_BED).frame(rough(), "f", now_s())
    assert all(cell.decision.reason.startswith("too coarse") for cell in seen.cells)


@pytest.mark.parametrize(
    "frame",
    [
        np.zeros((300, 400), np.uint8),
        np.zeros((300, 400, 3), np.float32),
        np.zeros((0, 400, 3), np.uint8),
        b"",
        b"\xff\xd8\xff",
    ],
)
def test_what_is_no_frame_is_an_error_and_the_next_one_counts(
    eye: Eye, frame: np.ndarray | bytes
) -> None:
    with pytest.raises(PhotoError, match="is "):
        eye.frame(frame, "f", now_s())
    assert treated(eye.frame(rough(), "g", now_s())) == 12
