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
from tests.packing.forge import make_workspace, private_photo
from weedset.cli import app
from weedset.errors import ContributionError, MissingPartError
from weedset.settings import Workspace
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
    describe(described, "--credit", "A. B.")
    assert tomllib.loads(path.read_text())["site"] == table["site"]


def test_a_wrong_description_is_not_kept(tmp_path: Path) -> None:
    workspace = make_workspace(tmp_path)
    done = describe(workspace, "--credit", "<b>", "--region", "=1", code=1)
    assert "credit: " in done.output
    assert "stateProvince: " in done.output
    assert list((workspace.root / "giving").iterdir()) == []


def test_packing_asks_for_what_is_missing(tmp_path: Path) -> None:
    workspace = make_workspace(tmp_path)
    out = tmp_path / "out" / "x.zip"
    pack = ("pack", BATCH, "-w", workspace.root, "--out", out)
    assert "nothing is stated" in run(*pack, code=1).output
    describe(workspace)
    assert "looked at the pictures" in run(*pack, code=1).output
    assert "no batch" in run("pack", "x", "-w", workspace.root, "--out", out, code=1).output
    assert not out.exists()
    run(*pack, "--looked")
    assert "in order: 12 tiles of 2 photos" in run("check", out).output


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
        shown = np.asarray(sheet)[26 : 26 + 64, 8 : 8 + 96].astype(float)  # 2 x 3 tiles of 32 px
        small = np.asarray(photo.convert("RGB").resize((96, 64), Image.Resampling.BOX), float)
    assert np.corrcoef(shown.ravel(), small.ravel())[0, 1] > 0.8


def test_check_answers_programs(described: Workspace, tmp_path: Path) -> None:
    out = tmp_path / "x.zip"
    run("pack", BATCH, "-w", described.root, "--out", out, "--looked")
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
    run("pack", BATCH, "-w", described.root, "--out", out, "--looked")
    run("submit", out, "--to", pool, code=1)
    pool.mkdir()
    run("submit", out, "--to", pool)
    run("submit", out, "--to", pool)  # again: it is there already
    assert (pool / "x.zip").read_bytes() == out.read_bytes()
    assert [path.name for path in pool.iterdir()] == ["x.zip"]
    (pool / "x.zip").write_bytes(b"another")
    assert "other content" in run("submit", out, "--to", pool, code=1).output
    assert (pool / "x.zip").read_bytes() == b"another"


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
    (tmp_path / "my secret garden 0.jpg").unlink()
    out = tmp_path / "x.zip"
    pack = ("pack", BATCH, "-w", described.root, "--out", out, "--looked")
    run(*pack, "--photos", code=1)
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
    line = run("status", "-w", garden).stdout.splitlines()[1]
    batch = line.removeprefix("batch ").partition(":")[0]
    own_words = "The dataset can be used freely for non-commercial applications."
    run(
        "describe", batch, "-w", garden, "--giver", "tests", "--rights-holder", "its authors",
        "--licence", "LicenseRef-non-commercial", "--licence-note", own_words, "--consent",
        "For measuring only.",
    )  # fmt: skip
    run("pack", batch, "-w", garden, "--out", out, "--looked", "--photos")
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
