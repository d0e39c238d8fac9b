"""The store: what goes in comes out, whole transactions only, history kept."""

from __future__ import annotations

import sqlite3
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from threading import Barrier

import pytest

from tests.conftest import SavePhoto
from weedset.errors import SettingsError, StoreError
from weedset.labelstore import open_label_store
from weedset.records import Batch, CameraProfile, LoosePicture, Origin, Statement, Verdict
from weedset.settings import Workspace, create_workspace, open_workspace, store_path
from weedset.store import Store, open_store
from weedset.tiling import CutPhoto, cut_photo

CART = CameraProfile("cart", None, None, None, 0.5, 0.01, None, None)
BATCH = Batch("long-acre 2026-05-04", "long-acre", "2026-05-04", "anna", "CC-BY-4.0", ())
SEEN = Statement("anna", Origin.TABLE, Verdict.PLANTS, frozenset({"CHEAL"}), frozenset({"DAUCS"}))


@pytest.fixture
def cut(save_photo: SavePhoto, workspace: Workspace) -> CutPhoto:
    cut = cut_photo(save_photo(), CART, workspace)
    assert cut is not None
    return cut


def add(store: Store, cut: CutPhoto) -> None:
    store.add_photo(BATCH, cut.photo, cut.tiles)


def test_what_goes_in_comes_out(workspace: Workspace, cut: CutPhoto) -> None:
    stated = replace(SEEN, unknown_plant=True, stages=(("CHEAL", 1),))
    with open_store(workspace) as store:
        add(store, cut)
        store.set_checklist(BATCH.id, ["DAUCS", "CHEAL"])
        store.add_statements([((cut.photo.digest, 1, 2), stated)])
    with open_store(workspace) as store:
        assert store.photos() == [cut.photo]
        assert store.batches() == [replace(BATCH, looked_for=("CHEAL", "DAUCS"))]
        (labelled,) = store.labelled_tiles()
        assert labelled.statement == stated
        assert labelled.tile == cut.tiles[1 * 6 + 2]
        assert labelled.site == "long-acre"
        assert labelled.looked_for == {"CHEAL", "DAUCS"}
        counts = {"batches": 1, "photos": 1, "tiles": 24, "labelled": 1, "loose": 0}
        assert store.counts() == counts


def test_the_newest_statement_stands_and_the_old_ones_are_kept(
    workspace: Workspace, cut: CutPhoto
) -> None:
    key = (cut.photo.digest, 0, 0)
    bare = Statement("anna", Origin.TABLE, Verdict.BARE)
    with open_store(workspace) as store:
        add(store, cut)
        assert store.add_statements([(key, SEEN)]) == 1
        assert store.add_statements([(key, SEEN)]) == 0
        assert store.add_statements([(key, bare)]) == 1
        assert [item.statement for item in store.labelled_tiles()] == [bare]
    connection = sqlite3.connect(store_path(workspace))
    assert connection.execute("SELECT count(*) FROM statement").fetchone() == (2,)
    connection.close()


def test_statements_are_added_all_or_none(workspace: Workspace, cut: CutPhoto) -> None:
    with open_store(workspace) as store:
        add(store, cut)
        good, bad = (cut.photo.digest, 0, 0), (cut.photo.digest, 99, 0)
        with pytest.raises(StoreError, match="has no such tile"):
            store.add_statements([(good, SEEN), (bad, SEEN)])
        assert store.labelled_tiles() == []
        with pytest.raises(sqlite3.IntegrityError):
            add(store, cut)
        assert store.counts()["tiles"] == 24


def test_a_checklist_may_grow_under_labels_but_not_shrink(
    workspace: Workspace, cut: CutPhoto
) -> None:
    key = (cut.photo.digest, 0, 0)
    with open_store(workspace) as store:
        add(store, cut)
        store.set_checklist(BATCH.id, ["CHEAL", "STEME"])
        assert store.set_checklist(BATCH.id, ["CHEAL", "DAUCS"]) == ()
        store.add_statements([(key, SEEN)])
        assert store.set_checklist(BATCH.id, ["DAUCS", "CHEAL"]) == ()
        with pytest.raises(StoreError, match="looking for CHEAL, DAUCS: DAUCS missing now"):
            store.set_checklist(BATCH.id, ["CHEAL"])
        assert store.set_checklist(BATCH.id, ["CHEAL", "DAUCS", "STEME"]) == ("STEME",)
        # What was said before is silent about the new species; said again, it is not.
        assert [item.looked_for for item in store.labelled_tiles()] == [{"CHEAL", "DAUCS"}]
        assert [store.add_statements([(key, SEEN)]) for _ in range(2)] == [1, 0]
        (labelled,) = store.labelled_tiles()
        assert labelled.looked_for == {"CHEAL", "DAUCS", "STEME"}


def test_no_checklist_grows_under_pictures_that_know_no_before(workspace: Workspace) -> None:
    batch = replace(BATCH, looked_for=("CHEAL",))
    with open_label_store(workspace) as store:
        store.add_loose(batch, [LoosePicture("0" * 64, SEEN)])
        with pytest.raises(StoreError, match="DAUCS new now"):
            store.set_checklist(BATCH.id, ["CHEAL", "DAUCS"])
        with pytest.raises(StoreError, match="DAUCS new now"):  # as the labelling page asks
            store.extend_checklist(BATCH.id, ["DAUCS", "CHEAL"])
        assert [item.looked_for for item in store.batches()] == [("CHEAL",)]


def test_a_batch_has_one_giver_and_one_licence(
    workspace: Workspace, cut: CutPhoto, save_photo: SavePhoto
) -> None:
    other = cut_photo(save_photo("other.jpg", size=(400, 300)), CART, workspace)
    assert other is not None
    with open_store(workspace) as store:
        add(store, cut)
        with pytest.raises(StoreError, match=r"is known as given by anna under CC-BY-4\.0"):
            store.add_photo(replace(BATCH, giver="bert"), other.photo, other.tiles)
        store.add_photo(replace(BATCH, giver="", licence=""), other.photo, other.tiles)
        assert [(batch.giver, batch.licence) for batch in store.batches()] == [
            ("anna", "CC-BY-4.0")
        ]


def test_a_store_that_is_none_or_newer_is_refused(workspace: Workspace) -> None:
    path = store_path(workspace)
    path.write_bytes(b"this is no database, and longer than a hundred bytes " * 4)
    with pytest.raises(StoreError, match="is damaged or no store"), open_store(workspace):
        pass
    path.unlink()
    connection = sqlite3.connect(path)
    connection.execute("PRAGMA user_version = 99")
    connection.close()
    with pytest.raises(StoreError, match=r"version 99, newer than"), open_store(workspace):
        pass


def test_a_store_that_may_not_be_opened_says_so(workspace: Workspace) -> None:
    store_path(workspace).mkdir()
    with pytest.raises(StoreError) as caught, open_store(workspace):
        pass
    assert caught.value.fix.startswith("make the workspace writable")


def test_the_second_of_two_who_open_a_new_store_at_once_finds_all_of_it(
    workspace: Workspace, cut: CutPhoto
) -> None:
    with open_store(workspace) as store:
        store.add_photo(BATCH, cut.photo, cut.tiles)
    with closing(sqlite3.connect(store_path(workspace))) as connection:
        connection.execute("PRAGMA user_version = 0")  # as it saw it before the first was done
    with open_store(workspace) as store:
        assert store.photos() == [cut.photo]


def test_several_may_open_a_new_store_at_once(tmp_path: Path) -> None:
    for attempt in range(5):
        workspace = create_workspace(tmp_path / str(attempt), 50, 32, "drop")
        together = Barrier(6)

        def count(room: Workspace = workspace, all_here: Barrier = together) -> int:
            all_here.wait()
            with open_store(room) as store:
                return store.counts()["tiles"]

        with ThreadPoolExecutor(6) as pool:
            assert [done.result() for done in [pool.submit(count) for _ in range(6)]] == [0] * 6


def test_a_store_in_use_says_so(workspace: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("weedset.storefile._BUSY_S", 0.05)
    with open_store(workspace):
        pass
    other = sqlite3.connect(store_path(workspace), isolation_level=None)
    other.execute("BEGIN EXCLUSIVE")
    with pytest.raises(StoreError, match="cannot be used"), open_store(workspace) as store:
        store.set_checklist("x", [])
    other.close()


def test_workspaces_are_made_once_and_opened_as_made(tmp_path: Path) -> None:
    made = create_workspace(tmp_path / "w", cell_mm=40, tile_px=96, edge="pad")
    assert open_workspace(tmp_path / "w") == made
    with pytest.raises(SettingsError, match="is a workspace already"):
        create_workspace(tmp_path / "w", cell_mm=40, tile_px=96, edge="pad")
    with pytest.raises(SettingsError, match="is not a workspace") as caught:
        open_workspace(tmp_path)
    assert f"such as --workspace {tmp_path / 'w'}; or make" in caught.value.fix
    with pytest.raises(SettingsError, match="is a file, not a folder"):
        create_workspace(tmp_path / "w" / "weedset.toml", cell_mm=40, tile_px=96, edge="pad")
    for cell_mm, tile_px in ((0, 96), (50, 4)):
        with pytest.raises(SettingsError, match="is not between"):
            create_workspace(tmp_path / "odd", cell_mm, tile_px, "drop")
    (tmp_path / "w" / "weedset.toml").write_text("cell_mm = 50\ntile_px = 96\nedge = 'dorp'\n")
    with pytest.raises(SettingsError, match="edge: is 'dorp', not one of drop, pad"):
        open_workspace(tmp_path / "w")
