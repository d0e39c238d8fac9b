"""Packing, checked by the bagit package (RFC 8493), unzip, exiftool and the standard library."""

from __future__ import annotations

import dataclasses
import json
import logging
import os
import shutil
import signal
import subprocess
import sys
import time
import zipfile
from pathlib import Path

import bagit
import numpy as np
import pytest
from PIL import Image

from tests.packing.forge import BAG, GIVING, TODAY, check, make_workspace, pack, read_bag
from weedset.contribution.giving import Place, giving_toml, read_giving
from weedset.contribution.rows import photo_from
from weedset.errors import ContributionError
from weedset.fields import Fields
from weedset.findings import Findings
from weedset.settings import Workspace, tile_archive
from weedset.store import open_store
from weedset.tilearchive import read_tile


def exiftool(*arguments: str) -> str:
    """Run exiftool, an independent reader of all that lies beside a picture."""
    program = shutil.which("exiftool")
    assert program, "exiftool is needed here: apt-get install libimage-exiftool-perl"
    done = subprocess.run([program, *arguments], capture_output=True, text=True, check=False)
    return done.stdout


def test_the_bag_is_valid_for_the_bagit_package(packed: Path, tmp_path: Path) -> None:
    with zipfile.ZipFile(packed) as archive:
        assert archive.testzip() is None
        archive.extractall(tmp_path)
    # RFC 8493, 4: unpacked in an empty folder, exactly one entry is there.
    assert [path.name for path in tmp_path.iterdir()] == [BAG]
    logging.disable(logging.INFO)
    try:
        bag = bagit.Bag(str(tmp_path / BAG))
        bag.validate()
    finally:
        logging.disable(logging.NOTSET)
    assert bag.version_info == (1, 0)
    assert bag.algorithms == ["sha256"]
    assert (tmp_path / BAG / "bagit.txt").read_text() == (
        "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
    )


def test_plain_unzip_opens_it(packed: Path, tmp_path: Path) -> None:
    unzip = shutil.which("unzip")
    assert unzip, "unzip is needed here: apt-get install unzip"
    subprocess.run([unzip, "-q", str(packed), "-d", str(tmp_path)], check=True)
    assert (tmp_path / BAG / "data" / "README.md").is_file()


def test_what_was_labelled_is_what_is_packed(labelled: Workspace, packed: Path) -> None:
    bag = read_bag(packed)
    labels = bag.rows("data/labels.jsonl")
    with open_store(labelled) as store:
        standing = store.labelled_tiles()
    assert len(labels) == len(standing) == 12
    by_digest = {row["digest"]: row["photo"] for row in bag.rows("data/photos.jsonl")}
    rows = {row["picture"]: row for row in labels}
    for item in standing:
        tile = item.tile
        key = f"{by_digest[tile.photo_digest]}/r{tile.row:05d}c{tile.col:05d}"
        row = rows[key]
        assert set(row["present"]) == item.statement.present
        assert set(row["doubtful"]) == item.statement.doubtful
        assert row["verdict"] == item.statement.verdict
        assert row["identifiedBy"] == item.statement.annotator
        assert row["stages"] == dict(item.statement.stages)
        archive = tile_archive(labelled, tile.photo_digest)
        assert bag.files[f"data/tiles/{key}.jpg"] == read_tile(archive, tile)


def test_it_passes_its_own_check(packed: Path) -> None:
    report = check(packed)
    assert report.passed
    assert report.contribution is not None
    assert report.contribution.giving == GIVING
    assert report.contribution.contents.tiles == 12


def test_the_same_batch_packs_to_the_same_bytes(packed: Path, tmp_path: Path) -> None:
    again = pack(make_workspace(tmp_path), tmp_path / "again.zip")
    labels = [read_bag(path).rows("data/labels.jsonl") for path in (packed, again)]
    if labels[0][0]["dateIdentified"] == labels[1][0]["dateIdentified"]:  # not over midnight
        assert again.read_bytes() == packed.read_bytes()
    umask = os.umask(0o077)
    try:
        third = pack(make_workspace(tmp_path / "other"), tmp_path / "third.zip")
    finally:
        os.umask(umask)
    assert third.read_bytes() == again.read_bytes()


def test_nothing_private_is_in_the_archive(labelled: Workspace, tmp_path: Path) -> None:
    """Privacy set of the project's check-value book; exiftool is the second opinion."""
    path = pack(labelled, tmp_path / "with photos.zip", whole_photos=True)
    assert check(path).passed
    data = path.read_bytes()
    for secret in (b"secret", b"long-acre", b"SERIAL", b"Owner", b"maker note", b"my garden"):
        assert secret not in data
    assert b"10:11:12" not in data
    with zipfile.ZipFile(path) as archive:
        archive.extractall(tmp_path / "x")
    found = exiftool("-r", "-json", "-G1", "-a", "-u", str(tmp_path / "x" / BAG / "data"))
    pictures = [item for item in json.loads(found) if item["SourceFile"].endswith(".jpg")]
    assert len(pictures) == 12 + 2
    for item in pictures:
        groups = {name.partition(":")[0] for name in item if ":" in name}
        assert groups <= {"System", "File", "JFIF", "Composite", "ExifTool"}, item


def test_exiftool_sees_what_was_there_before(labelled: Workspace) -> None:
    """The check above means something only where the originals do carry these tags."""
    with open_store(labelled) as store:
        source = store.photos()[0].path
    found = exiftool("-GPSLatitude", "-SerialNumber", "-OwnerName", "-MakerNotes", source)
    assert "SERIAL-1234" in found
    assert "50 deg 7" in found


def test_whole_photos_keep_their_pixels(labelled: Workspace, tmp_path: Path) -> None:
    bag = read_bag(pack(labelled, tmp_path / "p.zip", whole_photos=True))
    with open_store(labelled) as store:
        paths = {photo.digest: photo.path for photo in store.photos()}
    (tmp_path / "one.jpg").write_bytes(bag.files["data/photos/p00001.jpg"])
    row = bag.rows("data/photos.jsonl")[0]
    with Image.open(tmp_path / "one.jpg") as given, Image.open(paths[row["digest"]]) as original:
        assert given.size == original.size == (row["view"]["width_px"], row["view"]["height_px"])
        apart = np.abs(np.asarray(given, int) - np.asarray(original.convert("RGB"), int))
    assert apart.mean() < 4  # noise at JPEG quality 92


def test_rows_bring_photos_back_with_their_profile_and_view(tmp_path: Path) -> None:
    """A tilted, bent view of plants that stand above the soil, through JSON and back."""
    pose = "[pose]\npitch_deg = 20\nroll_deg = -3\nuncertainty_deg = 1\n"
    bent = '[distortion]\nmodel = "brown-conrady"\ncoefficients = [-0.1, 0.02, 0.0, 0.0, 0.0]\n'
    profile = tmp_path / "tilted.toml"
    profile.write_text(
        'name = "tilted"\nheight_mm = 200\nheight_uncertainty_mm = 5\n[lens]\n'
        f'field_of_view_deg = 60\nfield_of_view_across = "width"\n{pose}{bent}'
        "[plants]\nheight_mm = 20\nleast_mm = 0\nmost_mm = 60\n"
    )
    workspace = make_workspace(tmp_path, camera=profile, cell_mm=20)
    path = pack(workspace, tmp_path / "tilted.zip")
    report = check(path)
    assert report.passed, report.findings
    assert report.contribution is not None
    with open_store(workspace) as store:
        photos = {photo.digest: photo for photo in store.photos()}
    found = Findings()
    for row in read_bag(path).rows("data/photos.jsonl"):
        fields = Fields(row, "row", ContributionError)
        photo = photo_from(fields, report.contribution, found.at("row"))
        assert photo is not None
        original = photos[photo.digest]
        assert original.view.pitch_deg == 20
        assert (
            dataclasses.replace(
                original, name=photo.name, path="", taken_at=None, dropped=(), quality=None
            )
            == photo
        )
    assert found.shown == []


def test_archives_that_do_not_pass_do_not_appear(labelled: Workspace, tmp_path: Path) -> None:
    def refuse(path: Path) -> None:
        assert path.stat().st_size > 0
        raise ContributionError("no")

    with pytest.raises(ContributionError, match="no"):
        pack(labelled, tmp_path / "out.zip", approve=refuse)
    assert list(tmp_path.iterdir()) == []


def test_contradicting_facts_are_refused(tmp_path: Path) -> None:
    workspace = make_workspace(tmp_path)
    with open_store(workspace) as store:
        (batch,) = store.batches()
    stated = dataclasses.replace(batch, licence="CC0-1.0")
    from weedset.packing import pack_batch
    from weedset.taxonomy import load_species

    with open_store(workspace) as store, pytest.raises(ContributionError, match="licence"):
        pack_batch(
            store,
            workspace,
            stated,
            GIVING,
            load_species(),
            tmp_path / "no.zip",
            approve=lambda path: None,
        )
    assert not (tmp_path / "no.zip").exists()


def test_the_givers_file_round_trips(tmp_path: Path) -> None:
    path = tmp_path / "giving.toml"
    giving = dataclasses.replace(
        GIVING, rights_holder='Zoë "Z" Ümlaut \\ Söhne', place=Place("", "", -0.05, -179.95)
    )
    path.write_text(giving_toml(giving), "utf-8")
    assert read_giving(path, TODAY) == giving


@pytest.mark.slow
@pytest.mark.parametrize("command", ["pack", "check"])
def test_killing_it_leaves_no_half_file(tmp_path: Path, command: str) -> None:
    """SIGKILL at moments all through the run: the final name is whole, or absent."""
    workspace = make_workspace(tmp_path, photos=6)
    out = tmp_path / "out" / "given.zip"
    out.parent.mkdir()
    if command == "check":
        pack(workspace, out)
    before = {path.name for path in out.parent.iterdir()}
    code = {
        "pack": "import pathlib, sys; from tests.packing.forge import *; "
        "w = open_workspace(pathlib.Path(sys.argv[1])); print('on', flush=True); "
        "[pack(w, pathlib.Path(sys.argv[2])) for _ in range(50)]",
        "check": "import pathlib, sys; from tests.packing.forge import *; "
        "print('on', flush=True); [check(pathlib.Path(sys.argv[2])) for _ in range(200)]",
    }[command]
    code = f"from weedset.settings import open_workspace; {code}"
    delays = np.random.default_rng(5).uniform(0, 0.2, 12)
    for delay in delays:
        if command == "pack":
            out.unlink(missing_ok=True)
        process = subprocess.Popen(
            [sys.executable, "-c", code, str(workspace.root), str(out)], stdout=subprocess.PIPE
        )
        with process:
            assert process.stdout is not None
            assert process.stdout.readline() == b"on\n"
            time.sleep(delay)
            process.send_signal(signal.SIGKILL)
        if out.exists():
            assert check(out).passed
        names = {path.name for path in out.parent.iterdir() if not path.name.endswith(".part")}
        assert names <= before | {out.name}
