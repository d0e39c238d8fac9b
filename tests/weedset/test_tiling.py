"""Tiles: the right ground, the right pixels, whole on disk or not there."""

from __future__ import annotations

import tarfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from tests.conftest import SavePhoto
from weedset.cells import cells_in_view
from weedset.digests import file_digest
from weedset.errors import CameraError, PhotoError, StoreError
from weedset.images import decode_tile
from weedset.preprocess import Normalisation, cut_tiles, ground_picture, model_input, resize_tile
from weedset.records import Batch, CameraProfile, CellLimits, View
from weedset.settings import Workspace, create_workspace, tile_archive
from weedset.store import open_store
from weedset.tilearchive import read_tile
from weedset.tiling import cut_photo, cut_photos


def declared(gsd_mm_per_px: float) -> CameraProfile:
    return CameraProfile("cart", None, None, None, gsd_mm_per_px, None, None, None)


def test_every_tile_records_where_it_comes_from(
    save_photo: SavePhoto, workspace: Workspace
) -> None:
    path = save_photo(size=(640, 480))
    cut = cut_photo(path, declared(0.5), workspace)
    assert cut is not None
    # 320 x 240 mm of ground: 6 x 4 whole cells of 50 mm, 10 and 20 mm left at the sides.
    assert (cut.photo.grid.cols, cut.photo.grid.rows) == (6, 4)
    assert cut.photo.digest == file_digest(path)
    first, last = cut.tiles[0], cut.tiles[-1]
    assert (first.row, first.col, last.row, last.col) == (0, 0, 3, 5)
    assert (first.footprint.x_min_mm, first.footprint.y_min_mm) == (-150, -100)
    assert (last.footprint.x_max_mm, last.footprint.y_max_mm) == (150, 100)
    assert {tile.gsd_mm_per_px for tile in cut.tiles} == {0.5}
    assert {tile.inside_share for tile in cut.tiles} == {1.0}


def test_a_tile_shows_the_pixels_of_its_cell(save_photo: SavePhoto, workspace: Workspace) -> None:
    # Each 100 px block of this photo is one cell and has a colour of its own.
    rows, cols = 4, 6
    blocks = np.random.default_rng(1).integers(30, 220, (rows, cols, 3)).astype(np.uint8)
    pixels = blocks.repeat(100, 0).repeat(100, 1)
    cut = cut_photo(save_photo("blocks.png", pixels=pixels), declared(0.5), workspace)
    assert cut is not None
    archive = tile_archive(workspace, cut.photo.digest)
    for tile in cut.tiles:
        seen = decode_tile(read_tile(archive, tile))
        assert seen.shape == (32, 32, 3)
        inner = seen[4:-4, 4:-4].reshape(-1, 3).mean(0)
        assert np.abs(inner - blocks[tile.row, tile.col]).max() < 3


def test_the_archive_is_a_plain_tar(save_photo: SavePhoto, workspace: Workspace) -> None:
    cut = cut_photo(save_photo(), declared(0.5), workspace)
    assert cut is not None
    archive = tile_archive(workspace, cut.photo.digest)
    with tarfile.open(archive) as tar:  # the standard library as the second reader
        names = tar.getnames()
        assert len(names) == len(cut.tiles) == len(set(names))
        for tile in cut.tiles:
            member = tar.getmember(f"r{tile.row:03d}c{tile.col:03d}.jpg")
            assert (member.offset_data, member.size) == (tile.offset, tile.length)
    before = archive.read_bytes()
    cut_photo(save_photo(), declared(0.5), workspace)
    assert archive.read_bytes() == before


def test_padded_cells_are_kept_and_marked(save_photo: SavePhoto, tmp_path: Path) -> None:
    room = create_workspace(tmp_path / "padded", cell_mm=50, tile_px=32, edge="pad")
    pixels = np.full((250, 420, 3), (200, 40, 40), np.uint8)
    cut = cut_photo(save_photo("p.png", pixels=pixels), declared(0.5), room)
    assert cut is not None
    assert (cut.photo.grid.cols, cut.photo.grid.rows) == (5, 3)
    corner = cut.tiles[0]
    # 210 x 125 mm of ground in 250 x 150 mm of cells: 30 mm and 37.5 mm of the corner cell.
    assert corner.inside_share == pytest.approx(0.6 * 0.75)
    seen = decode_tile(read_tile(tile_archive(room, cut.photo.digest), corner))
    assert np.abs(seen[:6, :10].astype(int) - 127).max() < 8
    assert np.abs(seen[12:, 16:].astype(int) - (200, 40, 40)).max() < 8


@given(
    width=st.integers(60, 300),
    height=st.integers(60, 300),
    cell_px=st.floats(20, 60),
    tile_px=st.sampled_from([16, 24, 48]),
)
def test_one_resampling_of_the_photo_equals_one_per_cell(
    width: int, height: int, cell_px: float, tile_px: int
) -> None:
    # Source: Pillow's own resize of each cell's box by itself. Away from the borders,
    # where neighbours bleed in, both must give the same pixels.
    pixels = np.random.default_rng(width).integers(0, 255, (height, width, 3), np.uint8)
    image = Image.fromarray(pixels).resize((width, height), Image.Resampling.BOX)
    view = View(width, height, 1, 1.0, None, (width - 1) / 2, (height - 1) / 2)
    cells = cells_in_view(view, cell_px, "drop", CellLimits(), "p.jpg")
    grid = cells.grid
    tiles = cut_tiles(ground_picture(image, cells, tile_px), tile_px)
    left = width / 2 + grid.x_min_mm
    top = height / 2 + grid.y_min_mm
    # Rounding may put a grid that just fits a hair outside, which Pillow refuses.
    box = (max(0.0, left), max(0.0, top), left + cell_px, top + cell_px)
    alone = np.asarray(image.resize((tile_px, tile_px), Image.Resampling.BILINEAR, box=box))
    edge = max(2, int(2 * tile_px / cell_px) + 1)
    inner = slice(edge, tile_px - edge)
    difference = tiles[0, 0][inner, inner].astype(int) - alone[inner, inner]
    assert difference.size == 0 or np.abs(difference).max() <= 2


def test_model_input_is_normalised_and_in_channel_order() -> None:
    tiles = np.random.default_rng(0).integers(0, 255, (3, 8, 8, 3), np.uint8)
    scaled = model_input(tiles, Normalisation(127, 128))
    assert scaled.shape == (3, 3, 8, 8)
    assert scaled[2, 1, 5, 6] == pytest.approx((float(tiles[2, 5, 6, 1]) - 127) / 128)
    assert resize_tile(tiles[0], 4).shape == (4, 4, 3)


def test_many_photos_go_on_past_a_bad_one_and_skip_known_ones(
    save_photo: SavePhoto, workspace: Workspace
) -> None:
    paths = [save_photo(f"p{i}.jpg", size=(200 + 10 * i, 200)) for i in range(7)]
    paths[3].write_bytes(paths[3].read_bytes()[:500])
    known = frozenset({file_digest(paths[5])})
    results = list(cut_photos(paths, declared(0.5), workspace, known, workers=2))
    assert [result.path for result in results] == paths
    assert isinstance(results[3].error, PhotoError)
    assert results[3].error.where == str(paths[3])
    assert results[5].cut is None
    assert results[5].error is None
    assert sum(result.cut is not None for result in results) == 5
    assert not list((workspace.root / "tiles").glob(".*"))


@pytest.mark.parametrize(
    ("gsd", "error", "said"),
    [(0.05, PhotoError, "less than one cell of 50 mm"), (20.0, CameraError, "would cover")],
)
def test_photos_that_make_no_sense_at_this_scale_are_refused(
    save_photo: SavePhoto,
    workspace: Workspace,
    gsd: float,
    error: type[Exception],
    said: str,
) -> None:
    with pytest.raises(error, match=said):
        cut_photo(save_photo(size=(1200, 900)), declared(gsd), workspace)
    assert not (workspace.root / "tiles").exists()


def test_a_damaged_archive_is_named(save_photo: SavePhoto, workspace: Workspace) -> None:
    cut = cut_photo(save_photo(), declared(0.5), workspace)
    assert cut is not None
    archive = tile_archive(workspace, cut.photo.digest)
    archive.write_bytes(archive.read_bytes()[:2000])
    with pytest.raises(StoreError, match="shorter than when it was written"):
        read_tile(archive, cut.tiles[-1])
    archive.unlink()
    with pytest.raises(StoreError, match="cannot be read"):
        read_tile(archive, cut.tiles[0])


def test_the_archive_is_what_tarfile_would_write(
    save_photo: SavePhoto, workspace: Workspace
) -> None:
    # Source: tarfile of the standard library, header by header.
    cut = cut_photo(save_photo(), declared(0.5), workspace)
    assert cut is not None
    archive = tile_archive(workspace, cut.photo.digest)
    data = archive.read_bytes()
    with tarfile.open(archive) as tar:
        members = tar.getmembers()
    assert [member.name for member in members][:2] == ["r000c000.jpg", "r000c001.jpg"]
    assert len(members) == len(cut.tiles)
    for member, tile in zip(members, cut.tiles, strict=True):
        theirs = tarfile.TarInfo(member.name)
        theirs.size = tile.length
        assert data[tile.offset - 512 : tile.offset] == theirs.tobuf(tarfile.USTAR_FORMAT)
        assert (member.offset_data, member.size) == (tile.offset, tile.length)
    assert len(data) % 512 == 0
    assert not any(data[-1024:])


def test_a_stopped_run_goes_on_and_repeats_nothing(
    save_photo: SavePhoto, workspace: Workspace
) -> None:
    paths = [save_photo(f"p{i:02d}.jpg", size=(200 + 4 * i, 200)) for i in range(20)]
    batch = Batch("b", "s", "2026-05-04", "", "", ())
    with open_store(workspace) as store:
        results = cut_photos(paths, declared(0.5), workspace, store.digests(), workers=2)
        for _ in range(7):
            cut = next(results).cut
            assert cut is not None
            store.add_photo(batch, cut.photo, cut.tiles)
        results.close()  # type: ignore[attr-defined]  # as Ctrl-C does; it is a generator
        again = list(cut_photos(paths, declared(0.5), workspace, store.digests(), workers=2))
        assert [result.path for result in again] == paths
        assert [result.cut is None for result in again] == [True] * 7 + [False] * 13
        assert not any(result.error for result in again)
        for result in again[7:]:
            assert result.cut is not None
            store.add_photo(batch, result.cut.photo, result.cut.tiles)
        assert [photo.name for photo in store.photos()] == [path.name for path in paths]
    # Nothing is left lying about from the photos that were in hand when it stopped.
    archives = {item.name for item in (workspace.root / "tiles").iterdir()}
    assert archives == {tile_archive(workspace, file_digest(path)).name for path in paths}


def test_a_known_photo_is_told_without_decoding_it(tmp_path: Path, workspace: Workspace) -> None:
    broken = tmp_path / "broken.jpg"
    broken.write_bytes(b"no photo at all")
    known = frozenset({file_digest(broken)})
    assert cut_photo(broken, declared(0.5), workspace, known) is None
