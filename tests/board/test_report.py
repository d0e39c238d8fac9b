from __future__ import annotations

import json
from pathlib import Path

import pytest
from PIL import Image
from tiny_model import CARD, camera, write_model

from weedset.board.classify import ClassifiedPhoto, classify_photo
from weedset.board.guards import left_alone
from weedset.board.model import open_model
from weedset.board.report import action_counts, cell_records, photo_line, photo_record
from weedset.errors import printable
from weedset.records import Policy


def classified(folder: Path, bias: float = 0.0) -> ClassifiedPhoto:
    """A photo of 4 x 3 cells, the left half red (CHEAL here), the right half black."""
    model = open_model(write_model(folder / "m.onnx", bias=bias))
    image = Image.new("RGB", (400, 300))
    image.paste((255, 0, 0), (0, 0, 200, 300))
    image.save(folder / "bed.png")
    policy = Policy("bed", frozenset({"CHEAL"}), frozenset())
    return classify_photo(model, folder / "bed.png", camera(), policy)


def test_records_say_where_what_and_why(tmp_path: Path) -> None:
    photo = classified(tmp_path)
    head, cells = photo_record(photo, CARD), cell_records(photo, CARD)
    assert head["photo"] == "bed.png"
    assert head["digest"] == photo.digest
    assert head["gsd_mm_per_px"] == 0.5
    assert head["gsd_uncertainty_mm_per_px"] == 0.005
    assert head["scale_source"] == "height and focal length"
    assert head["model_digest"] == photo.model_digest
    assert head["policy"] == "bed"
    assert head["counts"] == {"treat": 6, "leave": 6, "unsure": 0}
    assert len(cells) == 12
    assert cells[0] == {
        "record": "cell",
        "photo": "bed.png",
        "row": 0,
        "col": 0,
        "x_mm": -75.0,
        "y_mm": -50.0,
        # The bracket is out by 1 degree in pitch and in roll unless the profile says
        # otherwise: 1000 mm * tan(1 degree) * sqrt(2), and 1 % of the height.
        "position_uncertainty_mm": 24.8,
        "probabilities": {"CHEAL": 1.0, "DAUCS": 0.0, "STEME": 0.0, "1PLAK": 0.0},
        "decision": "treat",
        "species": "CHEAL",
        "green": None,
        "reason": "CHEAL is here (1.00)",
    }
    assert cells[3]["decision"] == "leave"


def test_a_line_for_people_says_why_all_of_a_photo_is_left(tmp_path: Path) -> None:
    photo = classified(tmp_path)
    assert photo_record(photo, CARD)["fault"] is None
    assert photo_line(photo) == "bed.png: 12 cells: 6 treat, 6 leave, 0 unsure"
    dark = left_alone(photo, "too little light")
    assert photo_record(dark, CARD)["fault"] == "too little light"
    assert photo_line(dark).endswith(" 12 leave, 0 unsure  (too little light)")
    broken = classified(tmp_path, bias=float("nan"))
    assert photo_line(broken).endswith("  (the model gave nan, no probability)")


def test_same_input_same_text(tmp_path: Path) -> None:
    texts = []
    for _ in range(2):
        photo = classified(tmp_path)
        texts.append(json.dumps([photo_record(photo, CARD), *cell_records(photo, CARD)]))
    assert texts[0] == texts[1]
    assert "-0.0," not in texts[0]


def test_nan_becomes_null(tmp_path: Path) -> None:
    records = cell_records(classified(tmp_path, bias=float("nan")), CARD)
    json.dumps(records, allow_nan=False)
    assert records[0]["probabilities"] == dict.fromkeys(CARD.codes)


def test_counts_name_every_action(tmp_path: Path) -> None:
    assert set(action_counts(classified(tmp_path))) == {"treat", "leave", "unsure"}


@pytest.mark.parametrize("text", ["a\x1b[2Jb", "a\nb", "a\udcffb"])
def test_names_cannot_steer_a_terminal(text: str) -> None:
    assert printable(text).isprintable()
    assert printable("Möhre 1.jpg") == "Möhre 1.jpg"
