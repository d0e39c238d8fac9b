"""Targets lie where OpenCV's camera, hung on the machine, sees them."""

from __future__ import annotations

import math
import re
from pathlib import Path

import cv2
import numpy as np
import pytest
from tiny_model import CARD, camera, write_model

from weedset.board.clock import now_s
from weedset.board.eye import Eye, open_eye
from weedset.board.model import open_model
from weedset.board.targets import Mounting, read_mounting, targets, to_machine_mm
from weedset.errors import CameraError
from weedset.records import Action, Policy

HEIGHT_MM, FOCAL_PX = 1000.0, 2000.0
MOUNTINGS = [
    Mounting(0, 0),
    Mounting(250, -40),
    Mounting(0, 0, 90),
    Mounting(-310, 75, -37.5),
    Mounting(120, 8, 180),
]


def rough() -> np.ndarray:
    noise = np.random.default_rng(0).integers(-2, 8, (300, 400, 3))
    return (np.array((248, 2, 2)) + noise).clip(0, 255).astype(np.uint8)


@pytest.mark.parametrize("mounting", MOUNTINGS)
def test_targets_project_to_their_cells_pixels(tmp_path: Path, mounting: Mounting) -> None:
    """Reference: cv2.projectPoints with the camera placed in the machine's frame."""
    eye = Eye(open_model(write_model(tmp_path / "m.onnx")), camera(HEIGHT_MM))
    photo = eye.frame(rough(), "f", now_s())
    found = targets(photo, CARD, mounting)
    assert len(found) == len(photo.cells) == 12
    turn = math.radians(mounting.rotation_deg)
    forward = np.array([math.cos(turn), math.sin(turn), 0.0])
    right = np.array([math.sin(turn), -math.cos(turn), 0.0])
    # Rows: the camera's x (right in the photo), y (down, so backwards) and z (to the ground).
    rotation = np.stack([right, -forward, np.array([0.0, 0.0, -1.0])])
    lens = np.array([mounting.x_mm, mounting.y_mm, HEIGHT_MM])
    matrix = np.array([[FOCAL_PX, 0, 199.5], [0, FOCAL_PX, 149.5], [0, 0, 1]])
    ground = np.array([[target.x_mm, target.y_mm, 0.0] for target in found])
    seen, _ = cv2.projectPoints(
        ground, cv2.Rodrigues(rotation)[0], -rotation @ lens, matrix, np.zeros(5)
    )
    for target, pixel in zip(found, seen.reshape(-1, 2), strict=True):
        # 3 x 4 cells of 100 px: the middle of cell 0 lies at 49.5.
        np.testing.assert_allclose(pixel, [100 * target.col + 49.5, 100 * target.row + 49.5])


def test_worked_example_of_a_camera_in_front_of_the_machine() -> None:
    """20 mm right and 30 mm up in the photo, the camera 400 mm ahead: 430 ahead, 20 right."""
    assert to_machine_mm(20, -30, Mounting(400, 0)) == (430, -20)


def test_uncertainties_of_camera_and_mounting_add_in_squares(tmp_path: Path) -> None:
    eye = Eye(open_model(write_model(tmp_path / "m.onnx")), camera())
    photo = eye.frame(rough(), "f", now_s())
    cell = photo.cells[0]
    assert cell.uncertainty_mm is not None
    (target, *_) = targets(photo, CARD, Mounting(0, 0, 0, 3, 2))
    turned = math.hypot(75, 50) * math.radians(2)
    expected = math.sqrt(cell.uncertainty_mm**2 + 3**2 + turned**2)
    assert target.uncertainty_mm == pytest.approx(expected)


def test_targets_say_species_probability_action_and_reason(tmp_path: Path) -> None:
    bed = Policy("bed", frozenset({"CHEAL"}), frozenset())
    eye = Eye(open_model(write_model(tmp_path / "m.onnx")), camera(), bed)
    (target, *_) = targets(eye.frame(rough(), "f", now_s()), CARD, Mounting(0, 0))
    assert (target.species, target.action) == ("CHEAL", Action.TREAT)
    assert target.probability == pytest.approx(250 / 255, abs=0.01)
    assert target.reason.startswith("CHEAL is here")


def test_mounting_files(tmp_path: Path) -> None:
    path = tmp_path / "mounting.toml"
    path.write_text("x_mm = 400\ny_mm = -20\nrotation_deg = 90\nuncertainty_mm = 5\n")
    assert read_mounting(path) == Mounting(400, -20, 90, 5)


@pytest.mark.parametrize(
    ("text", "field"),
    [("x_mm = 1\n", "y_mm"), ("x_mm = 1\ny_mm = 2\nturn = 3\n", "turn"), ("x_mm = nan\n", "x_mm")],
)
def test_bad_mounting_files_name_the_field(tmp_path: Path, text: str, field: str) -> None:
    (tmp_path / "mounting.toml").write_text(text)
    with pytest.raises(CameraError) as caught:
        read_mounting(tmp_path / "mounting.toml")
    assert caught.value.where == f"{tmp_path / 'mounting.toml'}: {field}"


def test_the_worked_example_in_the_docs_runs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Twelve weeds in sight: the machine stops, centres, acts and verifies once."""
    text = (Path(__file__).parents[2] / "docs" / "machines.md").read_text()
    code, _across = re.findall(r"```python\n(.*?)```", text, re.DOTALL)
    write_model(tmp_path / "small.onnx")
    (tmp_path / "camera.toml").write_text(
        'name = "c"\nheight_mm = 1000\nheight_uncertainty_mm = 2\n[pose]\nuncertainty_deg = 0.2\n'
        "[lens]\nfocal_length_mm = 4\npixel_pitch_um = 2\n"
    )
    (tmp_path / "beds.toml").write_text('name = "bed"\nremove = ["CHEAL"]\n')
    (tmp_path / "mounting.toml").write_text("x_mm = 400\ny_mm = 0\n")
    monkeypatch.chdir(tmp_path)
    machine = Machine()
    names = {"machine": machine}
    exec(compile(code, "docs/machines.md", "exec"), names)
    assert machine.did[0] == "stop"
    assert machine.did.count("act") == 1
    assert machine.did[-1] == "go on"
    assert open_eye(tmp_path / "small.onnx", tmp_path / "camera.toml").policy.remove == frozenset()


class Machine:
    """Notes what the example asks of it; its ground is bare once it has acted."""

    def __init__(self) -> None:
        self.did: list[str] = []
        self._shots = 0

    def photograph(self) -> np.ndarray:
        self._shots += 1
        shot = rough()
        shot[0, 0, 0] = self._shots
        return 60 + shot // 8 if "act" in self.did else shot

    def __getattr__(self, name: str) -> object:
        return lambda *_: self.did.append(name.replace("_", " "))
