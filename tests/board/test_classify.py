"""Cells are where OpenCV's camera says they are, and hold the ground that lies there."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image
from tiny_model import CARD, camera, other_card, write_locator, write_model

from weedset.board.classify import ClassifiedPhoto, classify_photo
from weedset.board.decide import TREAT_NOTHING
from weedset.board.model import BoardModel, open_model
from weedset.digests import file_digest
from weedset.errors import CameraError, PhotoError
from weedset.records import Action, CameraProfile, Policy

HEIGHT_MM = 800.0
FOCAL_MM, PITCH_UM = 4.0, 2.0  # 2000 px, so 0.4 mm per px and 125 px per cell
CHEAL_BED = Policy("bed", frozenset({"CHEAL"}), frozenset())


@pytest.fixture(scope="module")
def model(tmp_path_factory: pytest.TempPathFactory) -> BoardModel:
    return open_model(write_model(tmp_path_factory.mktemp("model") / "m.onnx"))


def profile(height_mm: float = HEIGHT_MM) -> CameraProfile:
    return camera(height_mm, FOCAL_MM, PITCH_UM)


def opencv_px(ground_mm: np.ndarray, width_px: int, height_px: int) -> np.ndarray:
    """Project ground points (n, 2) with OpenCV's pinhole camera, HEIGHT_MM straight above.

    Pixel centres are whole numbers in OpenCV, so the middle is ((w - 1) / 2, (h - 1) / 2).
    """
    focal_px = FOCAL_MM * 1000 / PITCH_UM
    matrix = np.array(
        [[focal_px, 0, (width_px - 1) / 2], [0, focal_px, (height_px - 1) / 2], [0, 0, 1]]
    )
    points = np.column_stack([ground_mm, np.full(len(ground_mm), HEIGHT_MM)])
    found, _ = cv2.projectPoints(points, np.zeros(3), np.zeros(3), matrix, np.zeros(5))
    return np.asarray(found).reshape(-1, 2)


#: Between the colours of neighbours, which bleed a little into each other at the edges.
STEP = 18


def colour_of(row: int, col: int) -> tuple[int, int, int]:
    """A colour of its own for each cell."""
    return 20 + STEP * row, 20 + STEP * col, 60


def painted(classified: ClassifiedPhoto) -> Image.Image:
    """Paint each reported cell's ground, as OpenCV projects it, in the cell's own colour."""
    w, h = classified.width_px, classified.height_px
    photo = np.full((h, w, 3), 128, np.uint8)
    half = CARD.cell_mm / 2
    corners = np.array([[-half, -half], [half, -half], [half, half], [-half, half]])
    for cell in classified.cells:
        px = opencv_px(corners + np.array([cell.x_mm, cell.y_mm]), w, h)
        cv2.fillConvexPoly(photo, np.round(px).astype(np.int32), colour_of(cell.row, cell.col))
    return Image.fromarray(photo)


def save(image: Image.Image, path: Path, orientation: int = 1) -> Path:
    exif = Image.Exif()
    exif[0x0112] = orientation
    image.save(path, quality=95, subsampling=0, exif=exif)
    return path


SIZES = [(1500, 1100), (1501, 1103), (1000, 750)]


@pytest.mark.parametrize(("width_px", "height_px"), SIZES)
def test_middles_project_to_the_middles_of_equal_squares(
    model: BoardModel, tmp_path: Path, width_px: int, height_px: int
) -> None:
    """Reference: cv2.projectPoints; the squares are told by counting pixels, not by geometry."""
    path = save(Image.new("RGB", (width_px, height_px)), tmp_path / "p.jpg")
    seen = classify_photo(model, path, profile(), TREAT_NOTHING)
    side_px = 125
    rows, cols = height_px // side_px, width_px // side_px
    assert (seen.grid.rows, seen.grid.cols) == (rows, cols)
    assert len(seen.cells) == rows * cols
    ground = np.array([[cell.x_mm, cell.y_mm] for cell in seen.cells])
    first_x = (width_px - cols * side_px) / 2 - 0.5
    first_y = (height_px - rows * side_px) / 2 - 0.5
    middles = [
        [first_x + (cell.col + 0.5) * side_px, first_y + (cell.row + 0.5) * side_px]
        for cell in seen.cells
    ]
    np.testing.assert_allclose(opencv_px(ground, width_px, height_px), middles, atol=0.01)


@pytest.mark.parametrize(("width_px", "height_px"), SIZES)
@pytest.mark.parametrize("ending", ["png", "jpg"])
def test_each_cell_sees_the_ground_at_its_position(
    model: BoardModel, tmp_path: Path, width_px: int, height_px: int, ending: str
) -> None:
    """Paint by cv2.projectPoints, classify with a model that names colours, compare."""
    blank = save(Image.new("RGB", (width_px, height_px)), tmp_path / f"blank.{ending}")
    expected = classify_photo(model, blank, profile(), TREAT_NOTHING)
    path = save(painted(expected), tmp_path / f"p.{ending}")
    seen = classify_photo(model, path, profile(), TREAT_NOTHING)
    for cell in seen.cells:
        told = np.array(cell.probabilities[:3]) * 255
        np.testing.assert_allclose(told, colour_of(cell.row, cell.col), atol=STEP / 4)


def dotted(classified: ClassifiedPhoto) -> Image.Image:
    """Put a soft red dot where OpenCV projects the reported middle of each cell."""
    w, h = classified.width_px, classified.height_px
    ground = np.array([[cell.x_mm, cell.y_mm] for cell in classified.cells])
    photo = np.zeros((h, w, 3), np.uint8)
    for at_x, at_y in opencv_px(ground, w, h):
        left, top = round(at_x) - 60, round(at_y) - 60
        x, y = np.arange(left, left + 121), np.arange(top, top + 121)[:, None]
        red = 255 * np.exp(-((x - at_x) ** 2 + (y - at_y) ** 2) / (2 * 12.0**2))
        photo[top : top + 121, left : left + 121, 0] = np.round(red)
    return Image.fromarray(photo)


@pytest.mark.parametrize(("width_px", "height_px"), SIZES)
@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
@pytest.mark.parametrize("ending", ["png", "jpg"])
def test_what_lies_at_the_reported_position_is_in_the_middle_of_the_tile(
    tmp_path: Path, width_px: int, height_px: int, orientation: int, ending: str
) -> None:
    """Within half a pixel of the photo, also where the JPEG was decoded at a part of its size.

    Reference: cv2.projectPoints; the net itself tells where in its tile the dot lies.
    """
    locator = open_model(write_locator(tmp_path / "m.onnx"))
    blank = save(Image.new("RGB", (width_px, height_px)), tmp_path / f"blank.{ending}")
    photo = dotted(classify_photo(locator, blank, profile(), TREAT_NOTHING))
    path = save(turned(photo, orientation), tmp_path / f"p.{ending}", orientation)
    seen = classify_photo(locator, path, profile(), TREAT_NOTHING)
    assert (seen.width_px, seen.height_px) == (width_px, height_px)
    told = np.array([cell.probabilities[:3] for cell in seen.cells])
    off_px = (told[:, 1:] / told[:, :1] - 0.5) * 125
    assert np.abs(off_px).max() < 0.5


def turned(image: Image.Image, orientation: int) -> Image.Image:
    """Store an upright picture as a camera does that asks for `orientation` (EXIF 2.32)."""
    how = {
        3: Image.Transpose.ROTATE_180,
        6: Image.Transpose.ROTATE_90,  # shown turned 90 degrees clockwise
        8: Image.Transpose.ROTATE_270,
    }
    return image.transpose(how[orientation]) if orientation in how else image


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_turned_photos_are_seen_upright(
    model: BoardModel, tmp_path: Path, orientation: int
) -> None:
    blank = save(Image.new("RGB", (1100, 1500)), tmp_path / "blank.jpg")
    upright = painted(classify_photo(model, blank, profile(), TREAT_NOTHING))
    path = save(turned(upright, orientation), tmp_path / "p.jpg", orientation)
    seen = classify_photo(model, path, profile(), TREAT_NOTHING)
    assert (seen.width_px, seen.height_px) == (1100, 1500)
    for cell in seen.cells:
        told = np.array(cell.probabilities[:3]) * 255
        np.testing.assert_allclose(told, colour_of(cell.row, cell.col), atol=STEP / 4)


def test_reduced_decoding_decides_as_full_decoding(model: BoardModel, tmp_path: Path) -> None:
    """125 px cells for a 32 px net allow a quarter; a PNG of the same pixels cannot."""
    rng = np.random.default_rng(5)
    coarse = rng.integers(0, 256, (11, 15, 3), dtype=np.uint8)
    image = Image.fromarray(coarse).resize((1500, 1100), Image.Resampling.BICUBIC)
    jpeg = save(image, tmp_path / "p.jpg")
    with Image.open(jpeg) as decoded:
        png = save(decoded.convert("RGB"), tmp_path / "p.png")
    quick, slow = (classify_photo(model, path, profile(), CHEAL_BED) for path in (jpeg, png))
    assert quick.timings_ms.keys() == {"decode", "resample", "classify", "decide"}
    for left, right in zip(quick.cells, slow.cells, strict=True):
        np.testing.assert_allclose(left.probabilities, right.probabilities, atol=0.01)


def test_digest_and_name_are_the_files(model: BoardModel, tmp_path: Path) -> None:
    path = save(Image.new("RGB", (400, 300)), tmp_path / "some name.jpg")
    seen = classify_photo(model, path, profile(), TREAT_NOTHING)
    assert seen.name == "some name.jpg"
    assert seen.digest == file_digest(path)
    assert seen.model_digest == model.digest


def test_red_ground_is_treated_under_a_policy_only(model: BoardModel, tmp_path: Path) -> None:
    path = save(Image.new("RGB", (400, 300), (250, 0, 0)), tmp_path / "p.png")
    actions = [
        {cell.decision.action for cell in classify_photo(model, path, profile(), policy).cells}
        for policy in (CHEAL_BED, TREAT_NOTHING)
    ]
    assert actions == [{Action.TREAT}, {Action.LEAVE}]


def test_too_coarse_photo_is_left_alone_whole(tmp_path: Path) -> None:
    """0.4 mm per px is more than 1.25 x 0.3."""
    card = other_card(gsd_max_mm_per_px=0.3)
    model = open_model(write_model(tmp_path / "m.onnx", card))
    path = save(Image.new("RGB", (400, 300), (250, 0, 0)), tmp_path / "p.png")
    seen = classify_photo(model, path, profile(), CHEAL_BED)
    assert len(seen.cells) == 6
    for cell in seen.cells:
        assert cell.decision.action is Action.LEAVE
        assert cell.decision.reason.startswith("too coarse")


def test_a_model_that_gives_nan_treats_nothing(tmp_path: Path) -> None:
    model = open_model(write_model(tmp_path / "m.onnx", bias=float("nan")))
    path = save(Image.new("RGB", (400, 300), (250, 0, 0)), tmp_path / "p.png")
    seen = classify_photo(model, path, profile(), CHEAL_BED)
    assert {cell.decision.action for cell in seen.cells} == {Action.LEAVE}
    assert "no probability" in seen.cells[0].decision.reason


def test_less_ground_than_one_cell(model: BoardModel, tmp_path: Path) -> None:
    path = save(Image.new("RGB", (124, 300)), tmp_path / "p.png")
    with pytest.raises(PhotoError, match="not one whole cell") as caught:
        classify_photo(model, path, profile(), TREAT_NOTHING)
    assert str(path) in caught.value.where


def test_absurd_height_does_not_fill_the_memory(model: BoardModel, tmp_path: Path) -> None:
    path = save(Image.new("RGB", (4000, 3000)), tmp_path / "p.png")
    with pytest.raises(CameraError, match="too many"):
        classify_photo(model, path, profile(height_mm=90_000), TREAT_NOTHING)


@pytest.mark.parametrize("content", [b"", b"\xff\xd8\xff\xe0 no photo", bytes(5000)])
def test_bad_photo(model: BoardModel, tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "p.jpg"
    path.write_bytes(content)
    with pytest.raises(PhotoError):
        classify_photo(model, path, profile(), TREAT_NOTHING)


def test_unknown_scale_is_not_guessed(model: BoardModel, tmp_path: Path) -> None:
    path = save(Image.new("RGB", (400, 300)), tmp_path / "p.jpg")
    nameless = CameraProfile("x", 800, None, None, None, None, None, None)
    with pytest.raises(CameraError, match="scale cannot be known"):
        classify_photo(model, path, nameless, TREAT_NOTHING)
