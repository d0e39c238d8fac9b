"""An edition teaches what the workspaces taught that its contributions were packed from."""

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from toy_garden import BAR, DISC, make_garden, toy_photos, toy_recipe

from tests.packing.forge import GIVING, pack
from training.datasets import TileDataset
from training.evaluation.evaluate import evaluate
from training.export import Exported, export_model
from training.sources import from_edition, from_workspace, photos_of, sites_of, split_of
from training.train import train
from weedset.board.model import open_model
from weedset.errors import PoolError, TrainingError
from weedset.pool.editions import freeze
from weedset.pool.intake import accept, add
from weedset.pool.layout import Pool, create_pool
from weedset.pool.withdrawal import models_from, withdraw
from weedset.records import ANY_PLANT, Policy
from weedset.settings import Workspace, open_workspace
from weedset.splits import Split
from weedset.taxonomy import load_species

SITES = ("aa", "bb", "cc", "dd")


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> tuple[Pool, Path]:
    """A pool with one contribution of each of four gardens, and the folder of their workspaces."""
    folder, known = tmp_path_factory.mktemp("pooled"), load_species()
    pool = create_pool(folder / "pool")
    for photo in toy_photos(SITES, each=1):
        home, site = folder / photo.site, f"s-00000000000000{photo.site}"
        home.mkdir()
        garden = make_garden(home, [replace(photo, site=site)])
        giving = replace(GIVING, giver=f"{site}-giver", site=site)
        item = add(pool, pack(garden, home / "given.zip", giving), "carla", known, workers=1)
        accept(pool, item.digest, "carla")
    freeze(pool, "carla")
    return pool, folder


def garden_of(folder: Path, site: str) -> Workspace:
    return open_workspace(folder / site.removeprefix("s-00000000000000") / "garden")


def test_an_edition_gives_the_labels_and_pixels_of_the_workspaces(
    filled: tuple[Pool, Path],
) -> None:
    pool, folder = filled
    source = from_edition(pool.edition(1))
    assert source.name == "edition 1"
    assert source.cell_mm == 50
    assert len(source.tiles) == 4 * 63
    pixels = TileDataset(source.tiles, (DISC, BAR), source.archive_of, 32)
    for site in sites_of(source.tiles):
        here = [i for i, tile in enumerate(source.tiles) if tile.site == site]
        workspace = from_workspace(garden_of(folder, site))
        given = TileDataset(workspace.tiles, (DISC, BAR), workspace.archive_of, 32)
        places = {(t.tile.row, t.tile.col): i for i, t in enumerate(workspace.tiles)}
        assert len(here) == len(places)
        for i in here:
            there = places[source.tiles[i].tile.row, source.tiles[i].tile.col]
            assert source.tiles[i].statement.present == workspace.tiles[there].statement.present
            assert np.array_equal(pixels.targets[i], given.targets[there])
            assert np.array_equal(pixels.pixels(i), given.pixels(there))


def test_an_edition_keeps_its_split_by_site(filled: tuple[Pool, Path], tmp_path: Path) -> None:
    source = from_edition(filled[0].edition(1))
    assert source.split is not None
    sites = [set(sites_of(part)) for part in source.split.parts]
    assert all(sites)
    assert sum(map(len, sites)) == 4
    assert set().union(*sites) == set(sites_of(source.tiles))
    with pytest.raises(TrainingError, match="has a split that stays put"):
        train(toy_recipe(), source, tmp_path / "run", [min(sites[0])])


def test_a_model_of_an_edition_is_named_when_a_giver_withdraws(
    filled: tuple[Pool, Path], tmp_path: Path
) -> None:
    pool, _ = filled
    source = from_edition(pool.edition(1))
    run = train(toy_recipe(), source, tmp_path / "run")
    assert source.split is not None
    assert run.card.codes[0] == ANY_PLANT
    assert run.card.edition == "edition 1"
    assert run.card.held_out == sites_of(source.split.test)
    assert run.test == photos_of(source.split.test)
    exported = export_model(tmp_path / "run", source, tmp_path / "models" / "toy.onnx")
    assert open_model(exported.path).card.edition_digest == source.digest
    _, held = withdraw(pool, source.tiles[0].batch_id, "carla", "Asked by letter.")
    assert [path for path, _ in models_from(tmp_path / "models", held)] == [exported.path]


def test_an_edition_judges_a_model_as_the_workspaces_do(
    filled: tuple[Pool, Path], exported: Exported
) -> None:
    pool, folder = filled
    model, policy = open_model(exported.path), Policy("beds", frozenset({DISC}), frozenset({BAR}))
    whole = evaluate(model, from_edition(pool.edition(1)), policy, "all", by=["site"])
    assert (whole.cells, whole.scores.sites) == (252, 4)
    for part in whole.scores.parts:
        alone = evaluate(model, from_workspace(garden_of(folder, part.name)), policy, "all").scores
        assert part.treated.cells == alone.treated.cells
        assert abs(part.treated.hits - alone.treated.hits) <= 3  # tiles are JPEGs, photos are not
        assert part.harm.cells == alone.harm.cells
    with pytest.raises(TrainingError, match="has no labels on any site that was held out"):
        evaluate(model, from_edition(pool.edition(1)), policy)


def test_an_edition_without_tiles_teaches_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    nothing = SimpleNamespace(rows=lambda: iter(()), name="edition 9", digest="0" * 64)
    monkeypatch.setattr("training.sources.open_edition", lambda _: nothing)
    with pytest.raises(TrainingError, match="holds no tile"):
        from_edition(tmp_path)


def test_an_edition_that_changed_teaches_nothing(filled: tuple[Pool, Path]) -> None:
    shard = next(filled[0].edition(1).glob("train-*.tar"))
    data = shard.read_bytes()
    shard.write_bytes(data[:-1])
    with pytest.raises(PoolError, match="is not the file that was frozen"):
        from_edition(filled[0].edition(1))
    shard.write_bytes(data)


@pytest.mark.parametrize(("empty", "said"), [(0, "learn from"), (1, "choose thresholds on")])
def test_an_edition_of_too_few_sites_is_told_before_anything_is_learned(
    filled: tuple[Pool, Path], empty: int, said: str
) -> None:
    source = from_edition(filled[0].edition(1))
    assert source.split is not None
    parts = [part if i != empty else () for i, part in enumerate(source.split.parts)]
    few = replace(source, split=Split(parts[0], parts[1], parts[2], "site"))
    with pytest.raises(TrainingError, match=f"edition 1: has no labelled tiles to {said}"):
        split_of(few, ())
