"""A tilted, bent camera on the board: decisions lie where the plants are on the ground."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from PIL import Image
from tiny_model import CARD, write_model

from sample_data.camera import Camera, pixel_to_ground
from weedset.board.classify import ClassifiedPhoto, classify_photo
from weedset.board.model import BoardModel, open_model
from weedset.board.overlay import draw_overlay
from weedset.board.report import cell_records, photo_record
from weedset.records import Action, CalibratedLens, CameraProfile, Distortion, Plants, Policy, Pose

CAMERA = Camera(
    1600, 1200, 1600, 600, pitch_deg=20, roll_deg=-5, k1=-0.15, k2=0.03, centre_x_px=810
)
RED_MM = (-130.0, -260.0, 90.0, -40.0)  # a red patch on the ground: x_min, y_min, x_max, y_max
PLANT_MM = 30.0


@pytest.fixture(scope="module")
def seen(tmp_path_factory: pytest.TempPathFactory) -> ClassifiedPhoto:
    """Grey ground with a red patch 30 mm above the soil, classified by a model that says colour."""
    folder = tmp_path_factory.mktemp("tilted")
    x, y = np.meshgrid(np.arange(CAMERA.width_px), np.arange(CAMERA.height_px))
    pixels = np.stack([x, y], axis=-1).astype(np.float64)
    ground = pixel_to_ground(CAMERA, pixels, PLANT_MM)
    red = (ground > RED_MM[:2]).all(axis=-1) & (ground < RED_MM[2:]).all(axis=-1)
    picture = np.where(red[..., None], (250, 0, 0), (20, 0, 20)).astype(np.uint8)
    Image.fromarray(picture).save(folder / "bed.jpg", quality=95)
    profile = CameraProfile(
        "tilted", 600.0, 3.0, CalibratedLens(1600, 810, 599.5), None, None, 1600, 1200,
        pose=Pose(20, -5, 0.2),
        distortion=Distortion("brown-conrady", (-0.15, 0.03, 0, 0, 0)),
        plants=Plants(PLANT_MM, 0, 60),
    )  # fmt: skip
    card = replace(CARD, gsd_max_mm_per_px=0.45)
    model = open_model(write_model(folder / "m.onnx", card))
    policy = Policy("bed", frozenset({"CHEAL"}), frozenset())
    asked: list[int] = []
    ask = BoardModel.probabilities
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(
            BoardModel,
            "probabilities",
            lambda it, tiles: asked.append(len(tiles)) or ask(it, tiles),
        )
        photo = classify_photo(model, folder / "bed.jpg", profile, policy)
    # What is too coarse costs no time.
    assert sum(asked) == sum(not cell.too_coarse for cell in photo.cells) < len(photo.cells)
    return photo


def test_what_is_treated_lies_on_the_patch(seen: ClassifiedPhoto) -> None:
    half = CARD.cell_mm / 2
    for cell in seen.cells:
        inside = (
            RED_MM[0] <= cell.x_mm - half
            and cell.x_mm + half <= RED_MM[2]
            and RED_MM[1] <= cell.y_mm - half
            and cell.y_mm + half <= RED_MM[3]
        )
        outside = (
            cell.x_mm + half < RED_MM[0]
            or cell.x_mm - half > RED_MM[2]
            or cell.y_mm + half < RED_MM[1]
            or cell.y_mm - half > RED_MM[3]
        )
        if not cell.probabilities:
            continue
        if inside:
            assert cell.decision.action is Action.TREAT, cell
        elif outside:
            assert cell.decision.action is Action.LEAVE, cell
    treated = [cell for cell in seen.cells if cell.decision.action is Action.TREAT]
    assert 9 <= len(treated) <= 16  # the patch is 4.4 cells wide and as long


def test_far_cells_are_left_as_too_coarse_and_cut_ones_are_dropped(seen: ClassifiedPhoto) -> None:
    coarse = [cell for cell in seen.cells if not cell.probabilities]
    assert coarse
    assert all("too coarse" in cell.decision.reason for cell in coarse)
    asked = [cell for cell in seen.cells if cell.probabilities]
    assert max(cell.y_mm for cell in coarse) < max(cell.y_mm for cell in asked)
    assert dict(seen.dropped)["partly outside the photo"] > 10


def test_positions_come_with_their_uncertainty(seen: ClassifiedPhoto) -> None:
    for record in cell_records(seen, CARD):
        # 0.2 degrees of tilt at 570 mm are 2 mm each way. Plants anywhere from 0 to 60 mm are
        # spread by 17.3 mm, which at 600 mm to the side is 18.2 mm on the ground. By hand.
        assert 2.5 < float(str(record["position_uncertainty_mm"])) < 25
    assert photo_record(seen, CARD)["tilt_deg"] == pytest.approx(20.6, abs=0.05)


def test_the_overlay_shows_each_cell_where_it_lies(seen: ClassifiedPhoto) -> None:
    picture = draw_overlay(Image.new("RGB", (1600, 1200), (90, 70, 60)), seen, CARD)
    assert picture.width == 1600
    shown = np.asarray(picture.crop((0, 0, 1600, 1200))).reshape(-1, 3)
    assert len(np.unique(shown, axis=0)) > 3
