"""Labels from masks and tables: counted by another way, and refused when they make no sense."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from tests.conftest import SavePhoto
from weedset.errors import LabelError, UnknownSpeciesError
from weedset.importers.masks import (
    MaskRule,
    covered_shares,
    mask_statements,
    match_masks,
    read_meanings,
)
from weedset.importers.table import table_statements
from weedset.records import Batch, CameraProfile, Edge, Origin, Photo, Statement, Verdict
from weedset.settings import Workspace, create_workspace
from weedset.taxonomy import load_species
from weedset.tiling import cut_photo

KNOWN = load_species()
MEANINGS = {0: "ground", 1: "CHEAL", 2: "DAUCS", 9: "unknown"}


def photo_of(path: Path, workspace: Workspace, gsd: float = 0.5) -> Photo:
    cut = cut_photo(path, CameraProfile("c", None, None, None, gsd, None, None, None), workspace)
    assert cut is not None
    return cut.photo


def save_mask(path: Path, values: NDArray[np.uint8]) -> Path:
    path.parent.mkdir(exist_ok=True)
    Image.fromarray(values).save(path)
    return path


@pytest.mark.parametrize("edge", ["drop", "pad"])
@pytest.mark.parametrize("gsd", [0.5, 0.37, 0.83])
def test_covered_shares_equal_a_count_pixel_by_pixel(
    save_photo: SavePhoto, tmp_path: Path, gsd: float, edge: Edge
) -> None:
    # By hand, one pixel after the other: it belongs to the cell its centre lies in.
    room = create_workspace(tmp_path / "w", cell_mm=50, tile_px=16, edge=edge)
    photo = photo_of(save_photo(size=(331, 257)), room, gsd)
    mask = np.random.default_rng(2).integers(0, 3, (257, 331)).astype(np.uint8)
    grid = photo.grid
    counts = np.zeros((3, grid.rows, grid.cols))
    for y in range(257):
        for x in range(331):
            x_mm, y_mm = (x + 0.5 - 331 / 2) * gsd, (y + 0.5 - 257 / 2) * gsd
            row = int((y_mm - grid.y_min_mm) // 50)
            col = int((x_mm - grid.x_min_mm) // 50)
            if 0 <= row < grid.rows and 0 <= col < grid.cols:
                counts[mask[y, x], row, col] += 1
    shares = covered_shares(mask, photo)
    assert np.allclose(np.stack([shares[v] for v in range(3)]), counts / counts.sum(0))


def test_little_cover_is_doubt_and_none_is_bare(
    save_photo: SavePhoto, workspace: Workspace, tmp_path: Path
) -> None:
    photo = photo_of(save_photo(size=(600, 400)), workspace)
    mask = np.zeros((400, 600), np.uint8)
    mask[0:10, 0:10] = 1  # exactly 1 % of cell (0, 0): present
    mask[0:9, 100:110] = 2  # 0.9 % of cell (0, 1): doubtful
    mask[0:10, 200:210] = 1  # two plants in cell (0, 2)
    mask[20:40, 200:220] = 2
    mask[0, 300] = 9  # an unnamed plant in cell (0, 3), however small
    path = save_mask(tmp_path / "m.png", mask)
    made = dict(mask_statements(path, photo, MaskRule(MEANINGS), "anna"))
    row = [made[photo.digest, 0, col] for col in range(5)]
    assert [(sorted(s.present), sorted(s.doubtful), s.unknown_plant) for s in row] == [
        (["CHEAL"], [], False),
        ([], ["DAUCS"], False),
        (["CHEAL", "DAUCS"], [], False),
        ([], [], True),
        ([], [], False),
    ]
    assert [s.verdict for s in row] == [Verdict.PLANTS] * 4 + [Verdict.BARE]
    assert len(made) == photo.grid.rows * photo.grid.cols


def test_masks_that_do_not_fit_are_refused(
    save_photo: SavePhoto, workspace: Workspace, tmp_path: Path
) -> None:
    photo = photo_of(save_photo(size=(600, 400), main_tags={0x0112: 6}), workspace)
    rule = MaskRule({0: "ground"})
    with pytest.raises(LabelError, match=r"600 x 400 px, but its photo is 400 x 600 px"):
        list(mask_statements(save_mask(tmp_path / "a.png", _zeros(400, 600)), photo, rule, "a"))
    mask = _zeros(600, 400)
    mask[300, 200] = 7
    with pytest.raises(LabelError, match=r"b\.png: has pixels of value 7, which has no meaning"):
        list(mask_statements(save_mask(tmp_path / "b.png", mask), photo, rule, "a"))


def _zeros(height: int, width: int) -> NDArray[np.uint8]:
    return np.zeros((height, width), np.uint8)


def test_masks_are_matched_by_name_and_never_to_two_photos(
    save_photo: SavePhoto, workspace: Workspace, tmp_path: Path
) -> None:
    here = photo_of(save_photo("here/p.jpg", size=(600, 400)), workspace)
    there = photo_of(save_photo("there/p.jpg", size=(640, 400)), workspace)
    batches = {
        here.digest: Batch("acre 2026-05-04", "acre", "2026-05-04", "", "", ()),
        there.digest: Batch("mill 2026-05-04", "mill", "2026-05-04", "", "", ()),
    }
    folder = tmp_path / "masks"
    folder.mkdir()
    with pytest.raises(LabelError, match="holds no mask of these photos"):
        match_masks(folder, [here], batches)
    first = save_mask(folder / "p_mask.png", _zeros(2, 2))
    save_mask(folder / "other_mask.png", _zeros(2, 2))
    matched = match_masks(folder, [here], batches)
    assert matched.pairs == ((first, here),)
    assert matched.without_photo == ("other_mask.png",)
    with pytest.raises(LabelError, match=r"fits 2 photos \(acre 2026-05-04, mill") as caught:
        match_masks(folder, [here, there], batches)
    assert caught.value.fix == "say which with --site acre"
    save_mask(folder / "p.png", _zeros(2, 2))
    with pytest.raises(LabelError, match="has 2 masks"):
        match_masks(folder, [here], batches)


@pytest.mark.parametrize(
    "pairs", [["x"], ["1="], ["=CHEAL"], ["256=CHEAL"], ["1=CHEAL", "1=DAUCS"]]
)
def test_mask_values_must_mean_one_thing(pairs: list[str]) -> None:
    with pytest.raises(LabelError, match="--value"):
        read_meanings(pairs, KNOWN)


def test_mask_values_name_known_species() -> None:
    assert read_meanings(["0=ground", "3=cheal", "4=Unknown"], KNOWN) == {
        0: "ground",
        3: "CHEAL",
        4: "unknown",
    }
    with pytest.raises(UnknownSpeciesError, match="--value: 'CHEALX'"):
        read_meanings(["1=CHEALX"], KNOWN)


HEAD = "photo,row,col,species\n"


@pytest.fixture
def photo(save_photo: SavePhoto, workspace: Workspace) -> Photo:
    return photo_of(save_photo(size=(600, 400)), workspace)


def read_table(tmp_path: Path, photo: Photo, text: str) -> dict[tuple[str, int, int], Statement]:
    path = tmp_path / "labels.csv"
    path.write_text(text, "utf-8")
    return dict(table_statements(path, [photo], KNOWN, "anna"))


def test_a_table_gives_several_plants_to_a_cell(tmp_path: Path, photo: Photo) -> None:
    text = (
        "photo,row,col,species,stage\nphoto.jpg,0,1,CHEAL,1\nphoto.jpg,0,1,daucs,\n"
        f"{photo.digest[:12]},3,5,bare,\nphoto.jpg,2,2,unknown,\nphoto.jpg,2,3,cannot tell,\n"
    )
    made = read_table(tmp_path, photo, text)
    both = made[photo.digest, 0, 1]
    assert (both.present, both.stages) == ({"CHEAL", "DAUCS"}, (("CHEAL", 1),))
    assert both.origin is Origin.TABLE
    assert made[photo.digest, 3, 5].verdict is Verdict.BARE
    assert made[photo.digest, 2, 2].unknown_plant
    assert made[photo.digest, 2, 3].verdict is Verdict.CANNOT_TELL


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("photo,row,species\n", "line 1: lacks the column 'col'"),
        ("", "line 1: lacks the column 'photo'"),
        (HEAD[:-1] + ",weather\n", "line 1: has a column 'weather' that means nothing here"),
        (HEAD, "holds no labels"),
        (HEAD + "photo.jpg,0,0,CHEALX\n", "line 2, column species: 'CHEALX'"),
        (HEAD + "photo.jpg,0,0,goosefoot\n", "CHEAL"),
        (HEAD.replace(",", ";") + "photo.jpg;0;9;CHEAL\n", "line 2, column col: '9'"),
        (HEAD + "other.jpg,0,0,CHEAL\n", "line 2, column photo: 'other.jpg' is no photo"),
        (HEAD + "photo.jpg,-1,0,CHEAL\n", "line 2, column row: '-1' is not a whole number"),
        (
            HEAD + "photo.jpg,0,6,CHEAL\n",
            "line 2, column col: '6' is not a whole number from 0 to 5",
        ),
        (HEAD + "photo.jpg,0,1e99,CHEAL\n", "line 2, column col"),
        (HEAD + "photo.jpg,0,0\n", "line 2, has more or fewer values"),
        (HEAD + "photo.jpg,0,0,CHEAL,1,2\n", "line 2, has more or fewer values"),
        (HEAD + "photo.jpg,0,0,CHEAL\n" * 2, "line 3, repeats line 2: CHEAL twice"),
        (HEAD + "photo.jpg,0,0,CHEAL\nphoto.jpg,0,0,bare\n", "lines 2, 3, cell r0 c0: says bare"),
        (HEAD + "photo.jpg,0,0,bare\nphoto.jpg,0,0,cannot tell\n", "says bare and cannot tell"),
        ("photo,row,col,species,stage\nphoto.jpg,0,0,CHEAL,12\n", "line 2, column stage: '12'"),
        (HEAD + '"photo.jpg,0,0,CHEAL\n', "is not valid CSV"),
    ],
)
def test_a_bad_table_names_line_and_column(
    tmp_path: Path, photo: Photo, text: str, said: str
) -> None:
    with pytest.raises(LabelError) as caught:
        read_table(tmp_path, photo, text)
    assert said in str(caught.value)
    assert str(tmp_path / "labels.csv") in str(caught.value)


def test_all_faults_of_a_table_are_told_at_once(tmp_path: Path, photo: Photo) -> None:
    rows = "".join(f"photo.jpg,{i + 90},0,CHEAL\n" for i in range(30))
    with pytest.raises(LabelError) as caught:
        read_table(tmp_path, photo, HEAD + rows)
    assert "has 30 faults" in str(caught.value)
    assert "and 10 more" in str(caught.value)
