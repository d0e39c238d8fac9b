"""Which plants a frame shows, where, and what must be kept clear of."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from tiny_model import SAYS_COLOUR, camera, write_model

from weedset.board.classify import ClassifiedPhoto
from weedset.board.clock import now_s
from weedset.board.drives.sightings import kept_clear, sightings
from weedset.board.eye import Eye
from weedset.board.ground import Ground
from weedset.board.model import open_model
from weedset.board.targets import Mounting
from weedset.records import Action, Decision, Policy

#: 400 x 300 px at 0.5 mm: 4 x 3 cells of 100 px, (0, 0) the middle of the picture.
WEED, SOIL = (30, 160, 40), (110, 90, 70)
BED = Policy("bed", frozenset({"CHEAL"}), frozenset())


@pytest.fixture(scope="module")
def eye(tmp_path_factory: pytest.TempPathFactory) -> Eye:
    """A model that cannot tell; what it should have said is put in by `judged`."""
    path = tmp_path_factory.mktemp("model") / "m.onnx"
    write_model(path, weights=np.zeros_like(SAYS_COLOUR), bias=0.1)
    return Eye(open_model(path), camera(), BED)


def shown(*discs: tuple[float, float, float, tuple[int, int, int]]) -> np.ndarray:
    """Soil with discs at (x_mm, y_mm) from the middle, to the right and down, radius in mm."""
    noise = np.random.default_rng(0).integers(-6, 7, (300, 400, 3))
    picture = np.clip(np.array(SOIL) + noise, 0, 255).astype(np.uint8)
    for x, y, radius, colour in discs:
        centre = (round((199.5 + x / 0.5) * 16), round((149.5 + y / 0.5) * 16))
        cv2.circle(picture, centre, round(radius / 0.5 * 16), colour, -1, cv2.LINE_AA, shift=4)
    return picture


def look(eye: Eye, picture: np.ndarray) -> tuple[Ground, ClassifiedPhoto]:
    photo, ground = eye.frame_and_ground(picture, "f", now_s())
    assert ground.green.shape == (96, 128)
    return ground, photo


def judged(photo: ClassifiedPhoto, **species: tuple[int, int]) -> ClassifiedPhoto:
    """The photo with cells that turn on a species: name=(row, col)."""
    cells = []
    for cell in photo.cells:
        turned = next((name for name, at in species.items() if at == (cell.row, cell.col)), None)
        action = {"CHEAL": Action.TREAT, None: Action.LEAVE}.get(turned, Action.LEAVE)
        cells.append(replace(cell, species=turned, decision=Decision(action, "")))
    return replace(photo, cells=tuple(cells))


def test_a_plant_stands_in_the_middle_of_its_green(eye: Eye) -> None:
    """Discs drawn by OpenCV; one lies across the corner of four cells, and is one plant."""
    ground, photo = look(eye, shown((30, -20, 9, WEED), (-50, 25, 12, WEED)))
    photo = judged(photo, CHEAL=(1, 2))
    one, two = sorted(sightings(ground, photo, Mounting(100, 0)), key=lambda it: -it.x_mm)
    assert (one.x_mm, one.y_mm) == pytest.approx((120, -30), abs=0.6)
    assert (two.x_mm, two.y_mm) == pytest.approx((75, 50), abs=0.6)
    assert one.radius_mm == pytest.approx(9, abs=2)
    assert one.treat
    assert not two.treat
    assert not one.protected
    assert one.sigma_mm == pytest.approx(np.hypot(2, 0.05 * np.hypot(30, 20)), abs=0.1)
    assert one.bias_mm == photo.cells[6].uncertainty_mm


def test_what_touches_a_cell_to_protect_is_protected(eye: Eye) -> None:
    ground, photo = look(eye, shown((2, -20, 9, WEED), (40, -20, 8, WEED)))
    one, two = sightings(ground, judged(photo, DAUCS=(1, 1)), Mounting(0, 0))
    assert (one.protected, two.protected) == (True, False)


def test_what_touches_a_cell_too_coarse_to_ask_of_waits_for_a_nearer_look(eye: Eye) -> None:
    ground, photo = look(eye, shown((2, -20, 9, WEED), (40, -20, 8, WEED)))
    photo = judged(photo, CHEAL=(1, 2))
    cells = tuple(
        replace(cell, probabilities=()) if (cell.row, cell.col) == (1, 1) else cell
        for cell in photo.cells
    )
    for some, treat in ((photo.cells, [True, True]), (cells, [False, True])):
        found = sightings(ground, replace(photo, cells=some), Mounting(0, 0))
        assert [it.treat for it in found] == treat
        assert not any(it.protected for it in found)


def test_what_the_edge_cuts_waits_and_crumbs_are_none(eye: Eye) -> None:
    cut, crumb = (-97, 0, 9, WEED), (20, 20, 1.5, WEED)
    ground, photo = look(eye, shown(cut, crumb))
    assert sightings(ground, photo, Mounting(0, 0)) == ()


def test_what_is_kept_clear_is_the_green_or_else_the_cell(eye: Eye) -> None:
    """Half the diagonal of what bounds a disc of 10 mm, and of a cell of 50 mm."""
    ground, photo = look(eye, shown((30, -10, 10, WEED)))
    photo = judged(photo, DAUCS=(1, 2), STEME=(2, 0))
    green, cell = kept_clear(ground, photo, Mounting(0, 0))
    assert (green.x_mm, green.y_mm) == pytest.approx((10, -30), abs=1)
    assert green.radius_mm == pytest.approx(10 * np.sqrt(2), abs=2)
    assert (cell.x_mm, cell.y_mm) == pytest.approx((-50, 75))
    assert cell.radius_mm == pytest.approx(25 * np.sqrt(2))
    assert green.off_mm == photo.cells[6].uncertainty_mm


def test_an_answer_that_is_no_probability_protects(tmp_path: Path) -> None:
    path = write_model(tmp_path / "m.onnx", weights=np.zeros_like(SAYS_COLOUR), bias=1.5)
    odd = Eye(open_model(path), camera(), BED)
    ground, photo = look(odd, shown((30, -10, 9, WEED)))
    (it,) = sightings(ground, photo, Mounting(0, 0))
    assert it.protected


def test_a_frame_of_a_fault_says_so(eye: Eye) -> None:
    again = shown((30, -20, 9, WEED))
    eye.frame(again, "f", now_s())
    photo, _ = eye.frame_and_ground(again, "f", now_s())
    assert photo.fault == "stale: the very frame that came before"
