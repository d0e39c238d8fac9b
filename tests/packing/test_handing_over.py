"""The contributor's verbs from describing to handing over, through the one door."""

from __future__ import annotations

import json
import logging
import shutil
import tomllib
import zipfile
from pathlib import Path
from typing import Any

import bagit
import fsspec
import numpy as np
import pytest
from PIL import Image
from typer.testing import CliRunner

from tests.conftest import real_photos
from tests.packing.forge import check, make_workspace, private_photo, read_bag, write_zip
from weedset.cli import app
from weedset.errors import ContributionError, MissingPartError
from weedset.records import Origin, Statement, Verdict
from weedset.settings import Workspace, create_workspace
from weedset.store import open_store
from weedset.submitting import submit

RUNNER = CliRunner()
BATCH = "long-acre 2024-05-04"


def run(*arguments: object, code: int = 0) -> Any:
    done = RUNNER.invoke(app, [str(argument) for argument in arguments])
    assert done.exit_code == code, done.output
    return done


@pytest.fixture
def described(tmp_path: Path) -> Workspace:
    workspace = make_workspace(tmp_path)
    describe(workspace)
    return workspace


def look_and_pack(workspace: Workspace, out: Path) -> None:
    for step in ("--preview", "--looked"):
        run("pack", BATCH, "-w", workspace.root, "--out", out, step)


def describe(workspace: Workspace, *more: object, code: int = 0) -> Any:
    return run(
        "describe", BATCH, "-w", workspace.root, "--giver", "anna", "--rights-holder", "Anna B.",
        "--licence", "cc-by-4.0", "--consent", "I took these and give them.",
        "--country", "DE", "--latitude", 50.1234, "--longitude", 8.6789, *more, code=code,
    )  # fmt: skip


def test_describing_rounds_the_place_before_it_is_kept(described: Workspace) -> None:
    path = described.root / "giving" / f"{BATCH}.toml"
    table = tomllib.loads(path.read_text())
    assert (table["decimalLatitude"], table["decimalLongitude"]) == (50.15, 8.65)
    assert "50.1234" not in path.read_text()
    assert "acre" not in table["site"]
    assert "--again" in describe(described, "--credit", "A. B.", code=1).output
    assert tomllib.loads(path.read_text()) == table
    describe(described)  # the same words again change nothing
    describe(described, "--credit", "A. B.", "--again")
    assert tomllib.loads(path.read_text())["credit"] == "A. B."
    assert "habitat" not in table
    describe(described, "--ground", "mulch", "--again")
    assert tomllib.loads(path.read_text())["habitat"] == "mulch"
    assert tomllib.loads(path.read_text())["site"] == table["site"]


def test_a_wrong_description_is_not_kept(tmp_path: Path) -> None:
    workspace = make_workspace(tmp_path)
    wrong = ("--credit", "<b>", "--region", "=1", "--country", "Germany", "--ground", "lava")
    done = describe(workspace, *wrong, code=1)
    for option in wrong[::2]:
        assert f"\n  {option}: " in done.output
    assert "draft" not in done.output
    assert not (workspace.root / "giving").exists()
    with open_store(workspace) as store:
        assert store.batches()[0].giver == ""


@pytest.mark.parametrize(
    ("place", "said"),
    [
        (("--latitude", "95"), "--latitude: 95 degrees is not between -90 and 90"),
        (("--longitude", "-180.5"), "--longitude: -180.5 degrees is not between -180 and 180"),
        (("--latitude", "nan"), "--latitude: nan degrees"),
    ],
)
def test_a_place_that_is_none_is_quoted_as_typed(
    tmp_path: Path, place: tuple[str, str], said: str
) -> None:
    done = describe(make_workspace(tmp_path), *place, code=2)
    assert said in " ".join(done.output.replace("│", " ").split())


def test_the_poles_lie_in_the_last_square(tmp_path: Path) -> None:
    workspace = make_workspace(tmp_path)
    describe(workspace, "--latitude", "90", "--longitude", "-180")
    table = tomllib.loads((workspace.root / "giving" / f"{BATCH}.toml").read_text())
    assert (table["decimalLatitude"], table["decimalLongitude"]) == (89.95, -179.95)


def test_giver_and_licence_are_stated_once(tmp_path: Path) -> None:
    """The workspace and the giver's file say the same, whichever was told first."""
    workspace = make_workspace(tmp_path)
    own = ("describe", BATCH, "-w", workspace.root, "--rights-holder", "B", "--consent", "I may.")
    assert "--licence is needed" in run(*own, code=2).output
    describe(workspace)
    with open_store(workspace) as store:
        (batch,) = store.batches()
    assert (batch.giver, batch.licence) == ("anna", "CC-BY-4.0")
    assert batch.looked_for == ("CHEAL", "DAUCS", "STEME")
    path = workspace.root / "giving" / f"{BATCH}.toml"
    path.unlink()
    run(*own)
    table = tomllib.loads(path.read_text())
    assert (table["giver"], table["licence"]) == ("anna", "CC-BY-4.0")
    path.unlink()
    clash = run(*own, "--licence", "CC0-1.0", code=1).output
    assert "--licence says 'CC0-1.0', but the workspace says 'CC-BY-4.0'" in clash
    run(*own, "--licence", "CC0-1.0", "--again")
    with open_store(workspace) as store:
        assert store.batches()[0].licence == "CC0-1.0"
    path.write_text(path.read_text().replace("CC0-1.0", "CC-BY-4.0"))
    out = tmp_path / "x.zip"
    run("pack", BATCH, "-w", workspace.root, "--out", out, "--preview")
    clash = run("pack", BATCH, "-w", workspace.root, "--out", out, "--looked", code=1).output
    assert f"{BATCH}.toml says licence 'CC-BY-4.0', but the workspace says 'CC0-1.0'" in clash


def test_packing_asks_for_what_is_missing(tmp_path: Path) -> None:
    workspace = make_workspace(tmp_path)
    out = tmp_path / "out" / "x.zip"
    pack = ("pack", BATCH, "-w", workspace.root, "--out", out)
    assert "nothing is stated" in run(*pack, code=1).output
    describe(workspace)
    assert "looked at the pictures" in run(*pack, code=1).output
    assert "no batch" in run("pack", "x", "-w", workspace.root, "--out", out, code=1).output
    assert "no preview" in run(*pack, "--looked", code=1).output
    assert not out.exists()
    run(*pack, "--preview")
    run(*pack, "--looked")
    assert "in order: 12 tiles of 2 photos" in run("check", out).output


def test_what_goes_is_what_was_shown(described: Workspace, tmp_path: Path) -> None:
    out = tmp_path / "x.zip"
    pack = ("pack", BATCH, "-w", described.root, "--out", out)
    run(*pack, "--preview")
    assert "the tiles alone" in run(*pack, "--photos", "--looked", code=1).output
    with open_store(described) as store:
        digest = store.photos()[0].digest
        again = Statement("carl", Origin.PAGE, Verdict.BARE)
        store.add_statements([((digest, 0, 0), again)])
    run(*pack, "--looked")  # another label, the same picture
    private_photo(tmp_path / "another.jpg", seed=7)
    run("tile", tmp_path / "another.jpg", "--camera", tmp_path / "cart.toml", "--site",
        "long-acre", "-w", described.root)  # fmt: skip
    run(*pack, "--looked")  # no label, so it stays
    with open_store(described) as store:
        (added,) = (photo for photo in store.photos() if photo.name == "another.jpg")
        store.add_statements([((added.digest, 1, 1), again)])
    assert "other pictures" in run(*pack, "--looked", code=1).output


def test_labels_made_without_a_name_go_under_the_givers_and_the_preview_says_so(
    described: Workspace, tmp_path: Path
) -> None:
    out = tmp_path / "x.zip"
    pack = ("pack", BATCH, "-w", described.root, "--out", out)
    assert "without a name" not in run(*pack, "--preview").output
    with open_store(described) as store:
        digest = store.photos()[0].digest
        nameless = Statement("me", Origin.TABLE, Verdict.BARE)
        store.add_statements(((digest, 0, col), nameless) for col in range(3))
    told = run(*pack, "--preview").output
    assert "3 labels made without a name: given as made by the giver, anna" in told
    assert "who made it: anna, ben\n" in told
    assert json.loads(run(*pack, "--preview", "--json").stdout)["unnamed"] == 3
    run(*pack, "--looked")
    bag = read_bag(out)
    rows = bag.rows("data/labels.jsonl")
    assert {row["identifiedBy"] for row in rows} == {"anna", "ben"}
    assert {row["identifiedBy"] for row in rows if row["verdict"] == "bare"} == {"anna"}


def test_a_giver_called_me_is_nobody(tmp_path: Path) -> None:
    workspace = make_workspace(tmp_path)
    told = run(
        "describe", BATCH, "-w", workspace.root, "--giver", "Me", "--rights-holder", "Anna B.",
        "--licence", "CC0-1.0", "--consent", "I took these and give them.", code=1,
    ).output  # fmt: skip
    assert "--giver: 'Me' names nobody: give a handle" in told


def test_photos_without_a_label_stay(described: Workspace, tmp_path: Path) -> None:
    private_photo(tmp_path / "another.jpg", seed=7)
    run("tile", tmp_path / "another.jpg", "--camera", tmp_path / "cart.toml", "--site",
        "long-acre", "-w", described.root)  # fmt: skip
    out = tmp_path / "x.zip"
    pack = ("pack", BATCH, "-w", described.root, "--out", out, "--photos")
    seen = json.loads(run(*pack, "--preview", "--json").stdout)
    assert (seen["photos"], seen["whole_photos"]) == (2, 2)
    run(*pack, "--looked")
    assert check(out).passed
    with zipfile.ZipFile(out) as archive:
        sizes = {
            kind: sum(
                one.file_size for one in archive.infolist() if f"/data/{kind}/" in one.filename
            )
            for kind in ("tiles", "photos")
        }
    assert sizes == {"tiles": seen["tile_bytes"], "photos": seen["photo_bytes"]}
    assert seen["bytes"] == sum(sizes.values())


def test_a_batch_without_labels_has_no_preview(tmp_path: Path) -> None:
    workspace = create_workspace(tmp_path / "garden", cell_mm=50, tile_px=32, edge="drop")
    (tmp_path / "cart.toml").write_text('name = "cart"\n[scale]\ngsd_mm_per_px = 0.5\n')
    private_photo(tmp_path / "a.jpg")
    run("tile", tmp_path / "a.jpg", "--camera", tmp_path / "cart.toml", "--site", "long-acre",
        "-w", workspace.root)  # fmt: skip
    describe(workspace)
    out = tmp_path / "out" / "x.zip"
    said = run("pack", BATCH, "-w", workspace.root, "--out", out, "--preview", code=1).output
    assert "has no labelled tile" in said
    assert not out.parent.exists()


def test_a_few_photos_fill_the_sheet(tmp_path: Path) -> None:
    """A picture of 2 x 3 cells is as wide as the sheet; of four, each is half as wide."""
    for count in (1, 4):
        root = tmp_path / str(count)
        root.mkdir()
        workspace = make_workspace(root, photos=count)
        describe(workspace)
        run("pack", BATCH, "-w", workspace.root, "--out", root / "x.zip", "--preview")
        with Image.open(root / "x-sheet-01.jpg") as sheet:
            white = (np.asarray(sheet.convert("L")) > 250).mean()
            assert sheet.width >= 1920
            assert sheet.height == pytest.approx(sheet.width * 2 / 3, rel=0.08)
        assert white < 0.1  # captions and edges


def test_the_preview_writes_no_archive_but_sheets(described: Workspace, tmp_path: Path) -> None:
    out = tmp_path / "out" / "x.zip"
    done = run("pack", BATCH, "-w", described.root, "--out", out, "--preview", "--photos", "--json")
    seen = json.loads(done.stdout)
    assert seen["tiles"] == 12
    assert seen["whole_photos"] == 2
    assert seen["stated"]["giver"] == "anna"
    assert seen["sheets"] == [str(tmp_path / "out" / "x-sheet-01.jpg")]
    assert [path.name for path in out.parent.iterdir()] == ["x-sheet-01.jpg"]
    text = run("pack", BATCH, "-w", described.root, "--out", out, "--preview").output
    assert "Would leave this machine" in text
    assert "decimalLatitude: 50.15" in text
    assert "exact position" in text


def test_the_sheet_shows_the_photo(tmp_path: Path) -> None:
    """The photo, made small, is found again where the sheet should show it."""
    workspace = make_workspace(tmp_path, photos=1)
    describe(workspace)
    out = tmp_path / "out" / "x.zip"
    run("pack", BATCH, "-w", workspace.root, "--out", out, "--preview")
    with (
        Image.open(tmp_path / "out" / "x-sheet-01.jpg") as sheet,
        Image.open(tmp_path / "my secret garden 0.jpg") as photo,
    ):
        picture = sheet.crop((8, 36, 8 + 1920, 36 + 1280))  # 2 x 3 tiles, below the caption
        shown = np.asarray(picture.resize((96, 64), Image.Resampling.BOX), float)
        small = np.asarray(photo.convert("RGB").resize((96, 64), Image.Resampling.BOX), float)
    assert np.corrcoef(shown.ravel(), small.ravel())[0, 1] > 0.8


def test_check_answers_programs(described: Workspace, tmp_path: Path) -> None:
    out = tmp_path / "x.zip"
    look_and_pack(described, out)
    good = json.loads(run("check", out, "--json").stdout)
    assert good["passed"] is True
    assert good["tiles"] == 12
    out.write_bytes(out.read_bytes()[:-5])
    bad = json.loads(run("check", out, "--json", code=3).stdout)
    assert bad["passed"] is False
    assert bad["findings"][0].keys() == {"file", "row", "field", "what", "do"}
    assert "no such" in run("check", tmp_path / "none.zip", code=1).output.lower()


def test_submitting_into_a_folder(described: Workspace, tmp_path: Path) -> None:
    out, pool = tmp_path / "x.zip", tmp_path / "pool"
    look_and_pack(described, out)
    run("submit", out, "--to", pool, code=1)
    pool.mkdir()
    run("submit", out, "--to", pool)
    run("submit", out, "--to", pool)  # again: it is there already
    assert (pool / "x.zip").read_bytes() == out.read_bytes()
    assert [path.name for path in pool.iterdir()] == ["x.zip"]
    (pool / "x.zip").write_bytes(b"another")
    assert "other content" in run("submit", out, "--to", pool, code=1).output
    assert (pool / "x.zip").read_bytes() == b"another"


def test_what_another_program_zipped_is_told(packed: Path, tmp_path: Path) -> None:
    again = write_zip(tmp_path / "again.zip", read_bag(packed).files, method=zipfile.ZIP_DEFLATED)
    said = run("check", again, code=3).output
    assert "zipped by another program: take the file that `weedset pack` wrote" in said


def test_the_check_names_the_file(tmp_path: Path) -> None:
    path = tmp_path / "cart.toml"
    path.write_text("height_mm = 300\n")
    said = run("check", path, code=3).output
    assert "cart.toml: is no zip archive" in said
    assert "does not pass: 1 fault\n" in said


def test_the_card_of_an_archive_is_told_apart(packed: Path) -> None:
    said = run("card", packed, code=1).output
    assert "is a zip archive, not a model file" in said
    assert "ONNX" not in said


def test_what_does_not_pass_is_not_handed_over(packed: Path, tmp_path: Path) -> None:
    bad, pool = tmp_path / "bad.zip", tmp_path / "pool"
    bad.write_bytes(packed.read_bytes() + b"x")
    pool.mkdir()
    assert "appended" in run("submit", bad, "--to", pool, code=3).output
    assert list(pool.iterdir()) == []


def test_submitting_to_an_address(packed: Path) -> None:
    memory = fsspec.filesystem("memory")
    submit(packed, "memory://pool/in")
    assert memory.cat_file("/pool/in/given.zip") == packed.read_bytes()
    assert [Path(item["name"]).name for item in memory.ls("/pool/in")] == ["given.zip"]
    submit(packed, "memory://pool/in/")
    memory.pipe_file("/pool/in/given.zip", b"another")
    with pytest.raises(ContributionError, match="other content"):
        submit(packed, "memory://pool/in")
    memory.rm("/pool", recursive=True)


def test_a_failed_sending_leaves_nothing(packed: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    memory = fsspec.filesystem("memory")

    def broken(self: object, *_: object, **__: object) -> None:
        raise ConnectionError("the line went dead")

    monkeypatch.setattr(type(memory), "mv", broken)
    with pytest.raises(ContributionError, match="the line went dead"):
        submit(packed, "memory://pool/in")
    assert memory.ls("/pool/in") == []
    memory.rm("/pool", recursive=True)


def test_an_unknown_kind_of_address(packed: Path) -> None:
    with pytest.raises(MissingPartError, match="cannot be reached"):
        submit(packed, "carrierpigeon://pool/in")


def test_licences_are_listed() -> None:
    text = run("licences").output
    assert "CC-BY-4.0" in text
    assert "refused: " in text
    first = json.loads(run("licences", "--json").stdout.splitlines()[0])
    assert first["id"] == "CC0-1.0"


def test_photos_gone_are_told(described: Workspace, tmp_path: Path) -> None:
    """Whole photos are read from where they were; the tiles do not need them."""
    seen = ("pack", BATCH, "-w", described.root, "--out", tmp_path / "x.zip", "--preview")
    run(*seen, "--photos")
    (tmp_path / "my secret garden 0.jpg").unlink()
    out = tmp_path / "x.zip"
    pack = ("pack", BATCH, "-w", described.root, "--out", out, "--looked")
    assert "is not where it was" in run(*pack, "--photos", code=1).output
    assert not out.exists()
    run(*pack)
    private_photo(tmp_path / "my secret garden 0.jpg", seed=9)
    assert "another photo" in run(*pack, "--photos", code=1).output
    shutil.rmtree(described.root / "tiles")
    assert "tile the photo again" in run(*pack, code=1).output


@pytest.mark.slow
def test_a_real_bed_from_masks_to_a_valid_bag(tmp_path: Path) -> None:
    """Twelve phone photos with EXIF of a real camera, most of them turned by 180 degrees."""
    photos = real_photos("carrot_plot")
    (tmp_path / "phone.toml").write_text('name = "phone"\nheight_mm = 1000\n')
    garden, out = tmp_path / "bed", tmp_path / "bed.zip"
    run("new", garden)
    run("tile", photos, "--camera", tmp_path / "phone.toml", "--site", "plot", "-w", garden)
    run(
        "import", "masks", photos, "--value", "0=ground", "--value", "1=3WEEDT", "--value",
        "2=DAUCS", "--looked-for", "3WEEDT,DAUCS", "-w", garden,
    )  # fmt: skip
    ((batch,),) = [
        [item["id"] for item in json.loads(line)["each_batch"]]
        for line in run("status", "-w", garden, "--json").stdout.splitlines()
    ]
    own_words = "The dataset can be used freely for non-commercial applications."
    run(
        "describe", batch, "-w", garden, "--giver", "tests", "--rights-holder", "its authors",
        "--licence", "LicenseRef-non-commercial", "--licence-note", own_words, "--consent",
        "For measuring only.",
    )  # fmt: skip
    for step in ("--preview", "--looked"):
        run("pack", batch, "-w", garden, "--out", out, step, "--photos")
    assert "in order: 3600 tiles of 12 photos" in run("check", out).output
    with zipfile.ZipFile(out) as archive:
        archive.extractall(tmp_path / "x")
    (bag,) = (tmp_path / "x").iterdir()
    logging.disable(logging.INFO)
    try:
        bagit.Bag(str(bag)).validate()
    finally:
        logging.disable(logging.NOTSET)
    written = (photos / "IMG_3438.JPG").read_bytes()
    with Image.open(photos / "IMG_3438.JPG") as image:
        model = image.getexif()[0x0110].encode()
    assert model in written
    assert model not in out.read_bytes()
