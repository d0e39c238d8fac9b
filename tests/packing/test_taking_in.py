"""Importers: COCO areas by pycocotools, outlines by the rule, names, folders, colour masks."""

from __future__ import annotations

import json
import re
import warnings
from pathlib import Path
from typing import Any

import numpy as np
import pycocotools.mask as coco_mask
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from PIL import Image
from typer.testing import CliRunner

from tests.packing.forge import check, private_photo, read_bag
from weedset.cli import app
from weedset.errors import LabelError, SettingsError, UnknownSpeciesError
from weedset.importers.coco import read_coco
from weedset.importers.masks import read_colours
from weedset.importers.names import place_names, read_names, settle_names
from weedset.importers.outlines import Mark, MarkRule, box, fill, mark_statements
from weedset.importers.polygons import read_mapping, read_polygons
from weedset.records import (
    CameraProfile,
    GroundGrid,
    Photo,
    Scale,
    ScaleSource,
    Statement,
    Verdict,
    View,
)
from weedset.settings import Workspace, open_workspace
from weedset.store import open_store
from weedset.taxonomy import load_species, named

KNOWN = load_species()


def photo(name: str = "a.jpg", width: int = 300, height: int = 200) -> Photo:
    """A photo of 0.5 mm per px: cells of 50 mm are 100 px."""
    grid = GroundGrid(50, height // 100, width // 100, -width / 4, -height / 4)
    scale = Scale(0.5, ScaleSource.DECLARED, False, None)
    profile = CameraProfile("cart", None, None, None, 0.5, None, None, None)
    view = View(width, height, 1, 0.5, None, (width - 1) / 2, (height - 1) / 2)
    return Photo(
        "d" * 64, name, name, width, height, None, "cart", scale, grid, 32, "drop", profile, view,
    )  # fmt: skip


def statements(marks: list[Mark], unmarked: Any = "bare") -> dict[tuple[int, int], Statement]:
    found = mark_statements(marks, photo(), MarkRule(unmarked), "anna")
    return {(row, col): statement for (_, row, col), statement in found}


def square(left: float, top: float, size: float) -> tuple[tuple[float, float], ...]:
    right, bottom = left + size, top + size
    return ((left, top), (right, top), (right, bottom), (left, bottom))


def star(seed: int, corners: int, reach: float) -> tuple[tuple[float, float], ...]:
    rng = np.random.default_rng(seed)
    turns = np.sort(rng.uniform(0, 2 * np.pi, corners))
    radii = rng.uniform(reach / 3, reach, corners)
    return tuple(
        (float(100 + r * np.cos(t)), float(90 + r * np.sin(t)))
        for r, t in zip(radii, turns, strict=True)
    )


def filled(ring: tuple[tuple[float, float], ...]) -> NDArray[np.uint8]:
    mask = np.zeros((200, 200), np.uint8)
    fill(mask, ring)
    return mask


def by_pycocotools(ring: tuple[tuple[float, float], ...]) -> NDArray[np.uint8]:
    coded = coco_mask.frPyObjects([[number for corner in ring for number in corner]], 200, 200)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # pycocotools' own, of NumPy 2
        return np.asarray(coco_mask.decode(coded))[..., 0]


@settings(deadline=None, max_examples=150)
@given(st.integers(0, 10_000), st.integers(3, 25), st.floats(8, 80))
def test_areas_agree_with_pycocotools(seed: int, corners: int, reach: float) -> None:
    """pycocotools rasterises on a finer grid, so pixels on the very edge may differ."""
    ring = star(seed, corners, reach)
    ours, theirs = filled(ring), by_pycocotools(ring)
    around = sum(
        np.hypot(x1 - x0, y1 - y0)
        for (x0, y0), (x1, y1) in zip(ring, (*ring[1:], ring[0]), strict=True)
    )
    assert np.count_nonzero(ours != theirs) <= 0.5 * around + 2
    assert abs(
        int(ours.sum()) - float(coco_mask.area(coco_mask.encode(np.asfortranarray(theirs))))
    ) <= (0.25 * around + 2)


@pytest.mark.parametrize("at", [0.0, 3.0, 3.25])
def test_whole_squares_have_their_exact_area(at: float) -> None:
    assert filled(square(at, at, 10)).sum() == 100 == by_pycocotools(square(at, at, 10)).sum()


def test_outlines_count_by_covered_share() -> None:
    found = statements([Mark("CHEAL", (square(90, 10, 20),), True)])
    # 10 x 20 px of 100 x 100 px in each of two cells: 2 %, so present in both
    assert found[0, 0].present == found[0, 1].present == {"CHEAL"}
    assert found[0, 2].verdict is found[1, 0].verdict is Verdict.BARE
    small = statements([Mark("CHEAL", (square(10, 10, 9),), True)])
    assert small[0, 0].present == frozenset()  # 81 of 10000 px
    assert small[0, 0].doubtful == {"CHEAL"}


def test_parts_of_one_plant_add_up_and_overlaps_count_once() -> None:
    parts = (square(10, 10, 8), square(10, 10, 8), square(30, 10, 8))
    found = statements([Mark("CHEAL", parts, True)])
    assert found[0, 0].present == {"CHEAL"}  # 128 px
    once = statements([Mark("CHEAL", (square(10, 10, 8), square(10, 10, 8)), True)])
    assert once[0, 0].doubtful == {"CHEAL"}  # 64 px, not 128


def test_a_box_is_sure_of_its_middle_only() -> None:
    found = statements([box("CHEAL", 50, 50, 200, 100)])
    assert {cell for cell, said in found.items() if said.present} == {(1, 1)}
    assert {cell for cell, said in found.items() if said.doubtful} == {
        (0, 0), (0, 1), (0, 2), (1, 0), (1, 2),
    }  # fmt: skip


def test_unmarked_ground_is_bare_only_where_that_is_stated() -> None:
    marks = [
        Mark("CHEAL", (square(10, 10, 30),), True),
        Mark("unknown", (square(210, 10, 9),), True),
    ]
    assert len(statements(marks, "bare")) == 6
    unsaid = statements(marks, "unsaid")
    assert set(unsaid) == {(0, 0), (0, 2)}
    assert unsaid[0, 2].unknown_plant


COCO: dict[str, Any] = {
    "info": {"year": 2026},
    "images": [{"id": 7, "file_name": "sub/a.jpg", "width": 300, "height": 200}],
    "categories": [{"id": 1, "name": "Fat hen"}, {"id": 2, "name": "zanahoria"}],
    "annotations": [
        {"id": 1, "image_id": 7, "category_id": 1, "iscrowd": 0, "bbox": [10, 10, 30, 30],
         "segmentation": [[10, 10, 40, 10, 40, 40, 10, 40]]},
        {"id": 2, "image_id": 7, "category_id": 2, "bbox": [110, 10, 30, 30], "segmentation": []},
    ],
}  # fmt: skip


def coco_file(folder: Path, **changes: Any) -> Path:
    path = folder / "coco.json"
    path.write_text(json.dumps({**COCO, **changes}))
    return path


def test_coco_files_are_read(tmp_path: Path) -> None:
    marked = read_coco(coco_file(tmp_path))
    assert list(marked) == ["a.jpg"]
    assert [(mark.plant, mark.outline) for mark in marked["a.jpg"].marks] == [
        ("Fat hen", True),
        ("zanahoria", False),
    ]
    assert marked["a.jpg"].marks[0].rings == (square(10, 10, 30),)


def test_all_that_is_wrong_in_a_coco_file_is_said(tmp_path: Path) -> None:
    wrong = [
        {"image_id": 9, "category_id": 1, "bbox": [1, 1, 2, 2]},
        {"image_id": 7, "category_id": 9, "bbox": [1, 1, 2, 2]},
        {"image_id": 7, "category_id": 1, "segmentation": {"counts": [1], "size": [1, 1]}},
        {"image_id": 7, "category_id": 1, "segmentation": [[1, 2, 3, 4]]},
        {"image_id": 7, "category_id": 1, "segmentation": [["x", 2, 3, 4, 5, 6]]},
        {"image_id": 7, "category_id": 1, "bbox": [1, 1, -2, 2]},
        {"image_id": 7, "category_id": 1},
    ]
    with pytest.raises(LabelError) as caught:
        read_coco(coco_file(tmp_path, annotations=wrong))
    text = str(caught.value)
    for i, what in enumerate(
        ["no image", "no category", "run-length", "three corners", "a number", "width", "missing"]
    ):
        assert re.search(rf"annotations\[{i}\].*{what}", text), text


@pytest.mark.parametrize("text", ["", "[]", '{"images": 1}', "{" * 100_000])
def test_what_is_no_coco_file_is_refused(tmp_path: Path, text: str) -> None:
    path = tmp_path / "x.json"
    path.write_text(text)
    with pytest.raises(LabelError):
        read_coco(path)


MAPPING_XY = 'marks = "annotation"\nlabel = "type"\nx = "points.x"\ny = "points.y"\n'
MAPPING_PAIRS = 'marks = "a.b"\nlabel = "what"\npoints = "p"\nphoto = "file"\n'


def mapping(folder: Path, text: str) -> Path:
    path = folder / "map.toml"
    path.write_text(text)
    return path


def test_polygons_in_yaml_by_two_lists(tmp_path: Path) -> None:
    (tmp_path / "a.yaml").write_text(
        "filename: other\nannotation:\n- type: weed\n  points: {x: [1, 2.5, 3], y: [4, 5, 6]}\n"
    )
    marked = read_polygons(tmp_path, read_mapping(mapping(tmp_path, MAPPING_XY)))
    assert marked["a"].marks == (Mark("weed", (((1, 4), (2.5, 5), (3, 6)),), True),)


def test_polygons_in_json_by_pairs(tmp_path: Path) -> None:
    path = tmp_path / "x.json"
    path.write_text(
        json.dumps(
            {"file": "c:\\x\\a.jpg", "a": {"b": [{"what": "Möhre", "p": [[1, 2], [3, 4], [5, 6]]}]}}
        )
    )
    marked = read_polygons(path, read_mapping(mapping(tmp_path, MAPPING_PAIRS)))
    assert marked["a.jpg"].marks == (Mark("Möhre", (((1, 2), (3, 4), (5, 6)),), True),)


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("annotation:\n- type: x\n  points: {x: [1, 2, 3], y: [4, 5]}\n", "has 2 numbers"),
        ("annotation:\n- type: x\n  points: {x: [1, 2], y: [4, 5]}\n", "2 corners"),
        ("annotation:\n- type: x\n  points: 3\n", "table of fields"),
        ("annotation: {}\n", "list of tables"),
        ("- 1\n", "table of fields"),
        ("a: &a [1]\nb: [*a, *a]\n", "aliases"),
        ("a: " + "[" * 10_000, "nested too deeply"),
        ("a: !!python/object/apply:os.system ['true']\n", "not valid YAML"),
        ("a: [", "not valid YAML"),
    ],
)
def test_bad_yaml_is_refused(tmp_path: Path, text: str, complaint: str) -> None:
    path = tmp_path / "a.yaml"
    path.write_text(text)
    with pytest.raises(LabelError, match=complaint):
        read_polygons(path, read_mapping(mapping(tmp_path, MAPPING_XY)))


@pytest.mark.parametrize(
    "text",
    [
        MAPPING_XY + 'points = "p"',
        MAPPING_XY + "z = 1",
        'marks = "a"',
        MAPPING_XY.replace("y =", "# "),
    ],
)
def test_a_bad_mapping_is_refused(tmp_path: Path, text: str) -> None:
    with pytest.raises(SettingsError):
        read_mapping(mapping(tmp_path, text))


@pytest.mark.parametrize(
    ("name", "code"),
    [
        ("Fat hen", "CHEAL"), ("chenopodium_album", "CHEAL"), ("CHEAL", "CHEAL"),
        ("Möhre", "DAUCS"), ("moehre", "DAUCS"), ("zanahoria", "DAUCS"), ("carrot", "DAUCS"),
        ("Ground", "ground"), ("unknown", "unknown"),
    ],
)  # fmt: skip
def test_names_in_several_languages_find_their_code(name: str, code: str) -> None:
    assert place_names({name: 1}, KNOWN, {}) == ({name: code}, [])


@pytest.mark.parametrize("name", ["carrots and peas", "thing", "", "=cmd()", "car"])
def test_nothing_is_guessed(name: str) -> None:
    placed, review = place_names({name: 3}, KNOWN, {})
    assert placed == {}
    assert [(item.name, item.count) for item in review] == [(name, 3)]


def test_a_name_of_two_plants_is_reviewed() -> None:
    twice = [
        term
        for entry in KNOWN.values()
        for term in (entry.name_en, entry.name_de, entry.name_es, *entry.aliases)
        if term and len(named(term, KNOWN)) > 1
    ]
    for name in twice:
        assert place_names({name: 1}, KNOWN, {})[0] == {}


def test_the_review_list_closes_the_loop(tmp_path: Path) -> None:
    path = tmp_path / "names.csv"
    counts = {"carrot": 5, "=HYPERLINK(1)": 2, "mystery": 1}
    with pytest.raises(LabelError, match="2 names are not known"):
        settle_names(counts, KNOWN, path)
    with pytest.raises(LabelError, match=r"1 name is not known .*: 'mystery'$"):
        settle_names({"carrot": 5, "mystery": 1}, KNOWN, tmp_path / "other.csv")
    text = path.read_text()
    assert not any(line[0] in "=+-@" for line in text.splitlines())
    assert text.splitlines()[-1].startswith("carrot,DAUCS,5")
    path.write_text(
        text.replace("HYPERLINK(1),,", "HYPERLINK(1),STEME,").replace(
            "mystery,,", "mystery,unknown,"
        )
    )
    assert settle_names(counts, KNOWN, path) == {
        "carrot": "DAUCS", "=HYPERLINK(1)": "STEME", "mystery": "unknown",
    }  # fmt: skip
    path.write_text("name,code\nx,ZZZZZ\n")
    with pytest.raises(UnknownSpeciesError, match="line 2"):
        read_names(path, KNOWN)


RUNNER = CliRunner()


def run(*arguments: object, code: int = 0) -> str:
    done = RUNNER.invoke(app, [str(argument) for argument in arguments])
    assert done.exit_code == code, done.output
    return done.output


@pytest.fixture
def garden(tmp_path: Path) -> Workspace:
    """A workspace with one tiled photo, a.jpg, of 2 x 3 cells."""
    (tmp_path / "cart.toml").write_text('name = "cart"\n[scale]\ngsd_mm_per_px = 0.5\n')
    private_photo(tmp_path / "a.jpg")
    run("new", tmp_path / "garden", "--tile-px", 32)
    run("tile", tmp_path / "a.jpg", "--camera", tmp_path / "cart.toml", "--site", "acre",
        "-w", tmp_path / "garden")  # fmt: skip
    return open_workspace(tmp_path / "garden")


def labels(workspace: Workspace) -> dict[tuple[int, int], Statement]:
    with open_store(workspace) as store:
        return {(one.tile.row, one.tile.col): one.statement for one in store.labelled_tiles()}


def test_coco_from_the_command_line(garden: Workspace, tmp_path: Path) -> None:
    run("import", "coco", coco_file(tmp_path), "--looked-for", "CHEAL,DAUCS", "--unmarked", "bare",
        "-w", garden.root)  # fmt: skip
    found = labels(garden)
    assert found[0, 0].present == {"CHEAL"}
    assert found[0, 1].present == {"DAUCS"}
    assert found[1, 2].verdict is Verdict.BARE
    assert {said.origin for said in found.values()} == {"outline"}


def test_marks_made_on_another_size_are_refused(garden: Workspace, tmp_path: Path) -> None:
    images = [{**COCO["images"][0], "width": 200, "height": 300}]
    output = run("import", "coco", coco_file(tmp_path, images=images), "--looked-for", "CHEAL",
                 "--unmarked", "bare", "-w", garden.root, code=1)  # fmt: skip
    assert "300 x 200 px when upright" in output
    assert labels(garden) == {}


def test_names_to_review_stop_the_import(garden: Workspace, tmp_path: Path) -> None:
    categories = [{"id": 1, "name": "thing"}, {"id": 2, "name": "carrot"}]
    file = coco_file(tmp_path, categories=categories)
    arguments = (
        "import",
        "coco",
        file,
        "--looked-for",
        "CHEAL",
        "--unmarked",
        "bare",
        "-w",
        garden.root,
    )
    assert "'thing'" in run(*arguments, code=1)
    assert labels(garden) == {}
    names = garden.root / "names.csv"
    names.write_text(names.read_text().replace("thing,,", "thing,CHEAL,"))
    run(*arguments)
    assert labels(garden)[0, 0].present == {"CHEAL"}


def test_polygons_from_the_command_line(garden: Workspace, tmp_path: Path) -> None:
    marks = tmp_path / "marks"
    marks.mkdir()
    (marks / "a.yaml").write_text(
        "annotation:\n- type: carrot\n  points: {x: [10, 60, 60, 10], y: [110, 110, 160, 160]}\n"
    )
    run("import", "polygons", marks, "--mapping", mapping(tmp_path, MAPPING_XY), "--looked-for",
        "DAUCS", "--unmarked", "unsaid", "-w", garden.root)  # fmt: skip
    assert {cell: said.present for cell, said in labels(garden).items()} == {(1, 0): {"DAUCS"}}


def test_masks_by_colour(garden: Workspace, tmp_path: Path) -> None:
    pixels = np.zeros((200, 300, 3), np.uint8)
    pixels[0:50, 0:50] = (0, 255, 0)
    pixels[150:200, 250:300] = (255, 0, 1)
    masks = tmp_path / "masks"
    masks.mkdir()
    Image.fromarray(pixels).save(masks / "a_mask.png")
    colours = ("--colour", "000000=ground", "--colour", "#00FF00=DAUCS")
    arguments = (
        "import",
        "masks",
        masks,
        *colours,
        "--looked-for",
        "DAUCS,CHEAL",
        "-w",
        garden.root,
    )
    assert "colour ff0001" in run(*arguments, code=1)
    run(*arguments, "--colour", "ff0001=CHEAL")
    found = labels(garden)
    assert (found[0, 0].present, found[1, 2].present) == ({"DAUCS"}, {"CHEAL"})
    assert found[0, 1].verdict is Verdict.BARE
    run(*arguments, "--value", "0=ground", code=2)


@pytest.mark.parametrize("pair", ["0=ground", "00ff0=ground", "00ff00", "gg0000=ground"])
def test_a_colour_that_is_none_is_refused(pair: str) -> None:
    with pytest.raises(LabelError, match="--colour"):
        read_colours([pair], KNOWN)


def test_folders_are_kept_apart_as_of_unknown_scale(tmp_path: Path) -> None:
    root = tmp_path / "classes"
    private_photo(root / "carrot" / "1.jpg", seed=1)
    private_photo(root / "carrot" / "2.jpg", (2000, 1200), seed=2)
    private_photo(root / "ground" / "3.jpg", seed=3)
    private_photo(root / "Vogelmiere" / "4.jpg", seed=1)  # the same picture as carrot/1.jpg
    (root / "carrot" / "broken.jpg").write_bytes(b"\xff\xd8\xff nonsense")
    run("new", tmp_path / "w")
    arguments = (
        "import", "folders", root, "--site", "acre", "--on", "2024-05-04", "--giver", "anna",
        "--licence", "cc0-1.0", "--looked-for", "DAUCS,STEME", "-w", tmp_path / "w",
    )  # fmt: skip
    output = run(*arguments, code=1)
    assert "3 pictures of unknown scale kept apart" in output
    assert "1 could not be read" in output
    workspace = open_workspace(tmp_path / "w")
    assert labels(workspace) == {}  # no tile comes of them
    run("describe", "acre 2024-05-04", "-w", workspace.root, "--giver", "anna", "--rights-holder",
        "Anna", "--licence", "CC0-1.0", "--consent", "I give them.")  # fmt: skip
    for step in ("--preview", "--looked"):
        run("pack", "acre 2024-05-04", "-w", workspace.root, "--out", tmp_path / "x.zip", step)
    assert check(tmp_path / "x.zip").passed
    bag = read_bag(tmp_path / "x.zip")
    rows = bag.rows("data/loose.jsonl")
    assert sorted(tuple(row["present"]) for row in rows) == [(), ("DAUCS",), ("DAUCS", "STEME")]
    assert {row["scale"] for row in rows} == {"unknown"}
    assert bag.files["data/labels.jsonl"] == b""
    again = run(*arguments, code=1)
    assert "0 pictures of unknown scale kept apart; 3 were there" in again
