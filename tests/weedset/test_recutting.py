"""Cutting photos again: labels never come to speak of other ground."""

from __future__ import annotations

import io
import tarfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from typer.testing import CliRunner

from tests.conftest import SavePhoto
from weedset.cli import app
from weedset.errors import StoreError
from weedset.images import decode_tile
from weedset.labelstore import only_one_labels, open_label_store
from weedset.records import Batch, CameraProfile, Origin, Statement, Tile, Verdict
from weedset.recutting import Change, Planned, open_recut_store, plan_again
from weedset.settings import Workspace, create_workspace, open_workspace, tile_archive
from weedset.store import open_store
from weedset.tilearchive import read_tile
from weedset.tiling import CutPhoto, cut_photo

RIGHT = CameraProfile("cart", None, None, None, 0.5, None, None, None)
WRONG = replace(RIGHT, declared_gsd_mm_per_px=0.4)
SEEN = Statement("anna", Origin.TABLE, Verdict.PLANTS, frozenset({"CHEAL"}))


def batch(site: str, **more: str) -> Batch:
    stated = {"giver": "anna", "licence": "CC-BY-4.0", **more}
    return Batch(f"{site} 2026-05-04", site, "2026-05-04", looked_for=(), **stated)


@pytest.fixture
def photo(save_photo: SavePhoto) -> Path:
    return save_photo(size=(640, 480))


def put(room: Workspace, path: Path, profile: CameraProfile, into: Batch) -> CutPhoto:
    cut = cut_photo(path, profile, room)
    assert cut is not None
    with open_store(room) as store:
        store.add_photo(into, cut.photo, cut.tiles)
    return cut


def again(room: Workspace, path: Path, profile: CameraProfile, into: Batch) -> CutPhoto:
    with open_recut_store(room) as store:
        cut = cut_photo(path, profile, room, again=store.digests())
        assert cut is not None
        store.replace_photo(into, cut.photo, cut.tiles)
    return cut


def test_a_mended_scale_gives_other_tiles_with_new_numbers(
    workspace: Workspace, photo: Path
) -> None:
    old = put(workspace, photo, WRONG, batch("acre"))
    new = again(workspace, photo, RIGHT, batch("acre"))
    assert len(new.tiles) != len(old.tiles)
    with open_label_store(workspace) as store:
        assert store.photos() == [new.photo]
        assert store.tiles(new.photo.digest) == list(new.tiles)
        numbers = [row[0] for row in store.tile_rows()]
    # SQLite reuses the highest numbers of a table unless told not to (AUTOINCREMENT).
    assert min(numbers) > len(old.tiles)


def test_what_was_cut_before_can_be_read_until_the_store_says_otherwise(
    workspace: Workspace, photo: Path
) -> None:
    """A power cut between the archive and the store must not leave other pixels in a tile."""
    old = put(workspace, photo, WRONG, batch("acre"))
    archive = tile_archive(workspace, old.photo.digest)
    before = [read_tile(archive, tile) for tile in old.tiles]
    new = cut_photo(photo, RIGHT, workspace, again=frozenset({old.photo.digest}))
    assert new is not None
    assert [read_tile(archive, tile) for tile in old.tiles] == before
    # The later of two members of one name counts (POSIX, pax: "-u" and "-r" append).
    with tarfile.open(fileobj=io.BytesIO(archive.read_bytes())) as tar:
        member = tar.extractfile("r000c000.jpg")
        assert member is not None
        assert member.read() == read_tile(archive, new.tiles[0])
    fresh = cut_photo(photo, RIGHT, create_workspace(workspace.root.parent / "o", 50, 32, "drop"))
    assert fresh is not None
    assert [tile.footprint for tile in fresh.tiles] == [tile.footprint for tile in new.tiles]


def test_labels_hold_a_photo_where_it_is(workspace: Workspace, photo: Path) -> None:
    old = put(workspace, photo, WRONG, batch("acre"))
    with open_store(workspace) as store:
        store.set_checklist("acre 2026-05-04", ["CHEAL"])
        store.add_statements([((old.photo.digest, 0, 0), SEEN)])
        kept = store.labelled_tiles()
    with pytest.raises(StoreError, match="1 label would show other ground") as caught:
        again(workspace, photo, RIGHT, batch("acre"))
    assert "new workspace" in caught.value.fix
    with open_store(workspace) as store:
        assert store.labelled_tiles() == kept
        assert store.photos() == [old.photo]


def test_labels_stay_with_cells_that_stay(workspace: Workspace, photo: Path) -> None:
    """A better known uncertainty moves no cell, and neither does a site's right name."""
    hung = replace(RIGHT, height_mm=400)  # of an unknown height no position is known surely
    old = put(workspace, photo, hung, batch("acer"))
    with open_store(workspace) as store:
        store.set_checklist("acer 2026-05-04", ["CHEAL"])
        store.add_statements([((old.photo.digest, 2, 3), SEEN)])
        store.set_checklist("acer 2026-05-04", ["CHEAL", "DAUCS"])
        (before,) = store.labelled_tiles()
        assert before.looked_for == {"CHEAL"}
    sure = replace(hung, declared_uncertainty_mm_per_px=0.002)
    again(workspace, photo, sure, batch("acre", giver="", licence=""))
    with open_store(workspace) as store:
        (after,) = store.labelled_tiles()
        (kept,) = store.batches()
    assert (kept.site, kept.giver, kept.licence) == ("acre", "anna", "CC-BY-4.0")
    assert kept.looked_for == ("CHEAL", "DAUCS")
    # What was added to the checklist after the label still says nothing of it.
    assert (after.statement, after.looked_for) == (before.statement, before.looked_for)
    assert (after.tile.row, after.tile.col, after.site) == (2, 3, "acre")
    assert before.tile.position_uncertainty_mm is None
    assert after.tile.position_uncertainty_mm is not None
    # Without cutting anything the same comes out.
    with open_recut_store(workspace) as store:
        (planned,) = plan_again([photo], hung, workspace, store, lambda _: batch("acre"))
        assert isinstance(planned, Planned)
        assert (planned.change, planned.labels) == (Change.FACTS, 1)
        assert planned.photo == replace(old.photo, path=str(photo))
        assert [replace(tile, offset=0) for tile in planned.tiles] == [
            replace(tile, offset=0) for tile in old.tiles
        ]


def test_labels_do_not_move_under_another_checklist(
    workspace: Workspace, save_photo: SavePhoto, photo: Path
) -> None:
    other = save_photo("other.jpg", size=(400, 300))
    first, second = (
        put(workspace, photo, RIGHT, batch("a")),
        put(workspace, other, RIGHT, batch("b")),
    )
    with open_store(workspace) as store:
        for site, cut, codes in (("a", first, ["CHEAL"]), ("b", second, ["CHEAL", "DAUCS"])):
            store.set_checklist(f"{site} 2026-05-04", codes)
            store.add_statements([((cut.photo.digest, 0, 0), SEEN)])
    with pytest.raises(StoreError, match="looked for CHEAL, and those of 'b 2026-05-04' for CHEAL"):
        again(workspace, photo, RIGHT, batch("b"))
    with open_store(workspace) as store:
        assert [item.id for item in store.batches()] == ["a 2026-05-04", "b 2026-05-04"]


def run(*words: str | Path) -> tuple[int, str]:
    result = CliRunner().invoke(app, [str(word) for word in words])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result.exit_code, result.stderr


def toml(folder: Path, name: str, gsd: float) -> Path:
    path = folder / name
    path.write_text(f'name = "cart"\n[scale]\ngsd_mm_per_px = {gsd}\n')
    return path


def _tiles(workspace: Workspace, digest: str) -> list[Tile]:
    with open_store(workspace) as store:
        return store.tiles(digest)


def test_the_verb_plans_before_it_changes_anything(save_photo: SavePhoto, tmp_path: Path) -> None:
    photos = save_photo("in/a.jpg", size=(400, 300)).parent
    pixels = np.random.default_rng(3).integers(0, 255, (300, 400, 3), np.uint8)
    save_photo("in/b.jpg", pixels=pixels)
    wrong, right = toml(tmp_path, "w.toml", 0.4), toml(tmp_path, "r.toml", 0.5)
    room = tmp_path / "beds"
    run("new", room, "--tile-px", "32")

    def tile(camera: Path, *more: str, site: str = "acre") -> tuple[int, str]:
        return run("tile", photos, "--camera", camera, "--site", site, "-w", room, *more)

    assert tile(wrong)[0] == 0
    save_photo("in/c.jpg", pixels=255 - pixels)
    code, err = tile(right, "--again")
    assert (code, "3 photos cut into 36 tiles." in err) == (0, True)
    code, err = tile(right, "--again")
    assert (code, "No photo was cut, 3 already there" in err) == (0, True)

    workspace = open_workspace(room)
    with open_store(workspace) as store:
        store.set_checklist("acre 2026-05-04", ["CHEAL"])
        b = next(photo for photo in store.photos() if photo.name == "b.jpg")
        store.add_statements([((b.digest, 0, 0), SEEN)])
        before = store.photos()
    code, err = tile(wrong, "--again")
    assert code == 1
    assert "1 photo (b.jpg) with 1 label would show other ground" in err
    with open_store(workspace) as store:
        assert store.photos() == before
    # Into another site they all go: the cells stay, and so do the files.
    files = {path: path.stat().st_mtime_ns for path in (room / "tiles").iterdir()}
    tiles = {photo.digest: _tiles(workspace, photo.digest) for photo in before}
    code, err = tile(right, "--again", site="mill")
    assert (code, "3 photos described anew" in err) == (0, True)
    assert files == {path: path.stat().st_mtime_ns for path in (room / "tiles").iterdir()}
    assert tiles == {photo.digest: _tiles(workspace, photo.digest) for photo in before}
    with open_store(workspace) as store:
        assert [item.site for item in store.batches()] == ["mill"]
        assert len(store.labelled_tiles()) == 1

    # A lost archive is written anew, labels or not.
    tile_archive(workspace, b.digest).unlink()
    code, err = tile(right, "--again", site="mill")
    assert (code, "1 photo cut into 12 tiles, 2 already there" in err) == (0, True)
    with open_store(workspace) as store:
        (item,) = store.labelled_tiles()
        assert decode_tile(read_tile(tile_archive(workspace, b.digest), item.tile)).shape[0] == 32


def test_nothing_is_cut_again_while_somebody_labels(
    save_photo: SavePhoto, camera_toml: Path, tmp_path: Path
) -> None:
    """The page remembers which tile has which number."""
    run("new", tmp_path / "beds")
    words = ("tile", save_photo(), "--camera", camera_toml, "--site", "s", "-w", tmp_path / "beds")
    with only_one_labels(open_workspace(tmp_path / "beds")):
        code, err = run(*words, "--again")
        assert (code, "is open for labelling already" in err) == (1, True)
        assert run(*words)[0] == 0


def test_a_photo_that_was_refused_leaves_no_tiles(
    save_photo: SavePhoto, camera_toml: Path, tmp_path: Path
) -> None:
    run("new", tmp_path / "beds")
    Image.new("RGB", (400, 300)).save(tmp_path / "undated.png")
    words = ("--camera", camera_toml, "--site", "s", "-w", tmp_path / "beds")
    assert run("tile", tmp_path / "undated.png", *words)[0] == 1
    assert not list((tmp_path / "beds" / "tiles").iterdir())


def test_the_same_photo_under_two_names_counts_once(
    save_photo: SavePhoto, camera_toml: Path, tmp_path: Path
) -> None:
    photos = save_photo("in/a.jpg", size=(400, 300)).parent
    (photos / "b.jpg").write_bytes((photos / "a.jpg").read_bytes())
    run("new", tmp_path / "beds")
    words = ("tile", photos, "--camera", camera_toml, "--site", "s", "-w", tmp_path / "beds")
    for more in ((), ("--again",)):
        code, err = run(*words, *more)
        assert code == 0, err
    assert "No photo was cut, 2 already there" in err


def test_photos_that_were_moved_are_found_again(
    save_photo: SavePhoto, camera_toml: Path, tmp_path: Path
) -> None:
    photos, room = save_photo("in/a.jpg", size=(400, 300)).parent, tmp_path / "beds"
    run("new", room, "--tile-px", "32")
    rest = ("--camera", camera_toml, "--site", "s", "-w", room)
    assert run("tile", photos, *rest)[0] == 0
    moved = photos.rename(tmp_path / "moved")
    code, err = run("tile", moved, *rest, "--again")
    assert (code, "1 photo described anew; the tiles stay as they are" in err) == (0, True)
    with open_store(open_workspace(room)) as store:
        (photo,) = store.photos()
    assert Path(photo.path) == moved / "a.jpg"


def test_what_is_there_already_is_not_cut_by_another_profile_in_silence(
    save_photo: SavePhoto, tmp_path: Path
) -> None:
    photo, room = save_photo(size=(400, 300)), tmp_path / "beds"
    run("new", room, "--tile-px", "32")
    rest = ("--site", "s", "-w", room)
    assert run("tile", photo, "--camera", toml(tmp_path, "w.toml", 0.4), *rest)[0] == 0
    code, err = run("tile", photo, "--camera", toml(tmp_path, "r.toml", 0.5), *rest)
    assert (code, "stays as it was cut; --again cuts it anew" in err) == (0, True)
