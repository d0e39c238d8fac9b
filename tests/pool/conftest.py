from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from tests.packing.forge import BATCH, GIVING, pack, private_photo, statement
from weedset.importers.folders import take_in
from weedset.profile import read_camera_profile
from weedset.records import LoosePicture, Origin, Statement, Verdict
from weedset.settings import create_workspace
from weedset.store import open_store
from weedset.tiling import cut_photos

Say = Callable[[int, int], Statement]


def give(
    folder: Path,
    giver: str,
    site: str,
    seed: int = 0,
    photos: int = 2,
    say: Say = statement,
    licence: str = "CC-BY-4.0",
    ground: str = "",
) -> Path:
    """Pack a contribution of a giver, of photos of 2 x 3 cells; the same seed, the same photos."""
    home = folder / giver
    workspace = create_workspace(home / "garden", cell_mm=50, tile_px=32, edge="drop")
    profile = home / "cart.toml"
    profile.write_text('name = "cart"\n[scale]\ngsd_mm_per_px = 0.5\n')
    paths = [private_photo(home / f"{i}.jpg", seed=seed + i) for i in range(photos)]
    with open_store(workspace) as store:
        for result in cut_photos(paths, read_camera_profile(profile), workspace, workers=1):
            assert result.cut is not None, result.error
            store.add_photo(BATCH, result.cut.photo, result.cut.tiles)
            store.set_checklist(BATCH.id, ["CHEAL", "DAUCS", "STEME"])
            store.add_statements(
                ((tile.photo_digest, tile.row, tile.col), say(tile.row, tile.col))
                for tile in result.cut.tiles
            )
    giving = replace(
        GIVING,
        giver=giver,
        rights_holder=giver.title(),
        site=site,
        licence=licence,
        ground=ground,
    )
    return pack(workspace, folder / f"{giver}.zip", giving)


def give_loose(folder: Path) -> Path:
    """Pack a contribution of one picture of unknown scale and no tile."""
    workspace = create_workspace(folder / "loose", cell_mm=50, tile_px=32, edge="drop")
    digest = take_in(private_photo(folder / "DAUCS" / "1.jpg"), workspace)
    said = Statement("eve", Origin.FOLDER, Verdict.PLANTS, frozenset({"DAUCS"}))
    batch = replace(BATCH, looked_for=("DAUCS",))
    with open_store(workspace) as store:
        store.add_loose(batch, [LoosePicture(digest, said)])
    giving = replace(GIVING, giver="eve", site="s-00000000000000ee")
    return pack(workspace, folder / "loose.zip", giving)


@pytest.fixture(scope="session")
def given(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A contribution in which nothing is wrong, of 12 tiles."""
    return give(tmp_path_factory.mktemp("given"), "anna", "s-00000000000000aa")
