import numpy as np
import pytest
import torch
from toy_garden import BAR, DISC, draw_photo, toy_recipe

from training.augment import Augmenter
from training.backbones import NORMALISATION
from training.datasets import Steps, TileDataset, ordered_loader, target_table, training_loader
from training.distributed import World
from training.learner import to_input
from training.sources import from_workspace
from weedset.errors import TrainingError
from weedset.preprocess import model_input
from weedset.records import ANY_PLANT, Origin, Statement, Verdict
from weedset.settings import Workspace
from weedset.store import open_store

ALONE = World(0, 1, 1, torch.device("cpu"))


def toy_dataset(garden: Workspace, augment: Augmenter | None = None, px: int = 32) -> TileDataset:
    with open_store(garden) as store:
        tiles = store.labelled_tiles()
    classes = (ANY_PLANT, DISC, BAR)
    return TileDataset(tiles[:126], classes, from_workspace(garden).archive_of, px, augment)


def test_batches_are_what_the_board_would_feed_the_model(garden: Workspace) -> None:
    dataset = toy_dataset(garden)
    tiles, targets, _ = next(iter(ordered_loader(dataset, 16, workers=0)))
    pixels = np.stack([dataset.pixels(i) for i in range(16)])
    given = to_input(tiles, torch.device("cpu"))
    assert np.array_equal(given.numpy(), model_input(pixels, NORMALISATION))
    assert targets.dtype == torch.int8
    assert np.array_equal(targets.numpy(), dataset.targets[:16])


def test_tiles_come_with_their_own_labels(garden: Workspace) -> None:
    # The drawing is the truth: "east0.png" sorts first and was drawn from seed 200.
    picture, plants = draw_photo(200)
    drawn = np.asarray(picture)
    dataset = toy_dataset(garden)
    for index in (0, 8, 9, 62):
        row, col = divmod(index, 9)
        cell = drawn[row * 32 : row * 32 + 32, col * 32 : col * 32 + 32]
        here = plants[row, col]
        assert np.abs(dataset.pixels(index).astype(int) - cell).mean() < 8  # JPEG
        assert dataset.targets[index].tolist() == [bool(here), DISC in here, BAR in here]


def test_tiles_are_resampled_to_the_models_side(garden: Workspace) -> None:
    assert toy_dataset(garden, px=64).pixels(3).shape == (64, 64, 3)


def test_worker_processes_give_the_same_tiles_in_order(garden: Workspace) -> None:
    dataset = toy_dataset(garden)
    alone = torch.cat([tiles for tiles, _, _ in ordered_loader(dataset, 50, workers=0)])
    shared = torch.cat([tiles for tiles, _, _ in ordered_loader(dataset, 50, workers=2)])
    assert torch.equal(alone, shared)


def steps(dataset: TileDataset, first: int = 0, world: World = ALONE, **changes: object) -> Steps:
    recipe = toy_recipe(epochs=2, **changes)
    return Steps(dataset.targets, recipe, world, first)


def batches(dataset: TileDataset, order: Steps, workers: int) -> list[torch.Tensor]:
    return [tiles for tiles, _, _ in training_loader(dataset, order, workers)]


def test_epochs_differ_and_workers_and_what_went_before_change_nothing(garden: Workspace) -> None:
    dataset = toy_dataset(garden, Augmenter(0))
    alone = batches(dataset, steps(dataset), workers=0)
    assert [len(batch) for batch in alone] == [32] * 6  # 126 tiles: three whole batches an epoch
    assert not torch.equal(torch.cat(alone[:3]), torch.cat(alone[3:]))
    shared = batches(dataset, steps(dataset), workers=2)
    assert all(map(torch.equal, alone, shared))
    dataset.decode_all(ALONE)
    later = batches(dataset, steps(dataset, first=4), workers=0)
    assert len(later) == 2
    assert all(map(torch.equal, alone[4:], later))
    other = batches(dataset, steps(dataset, seed=4), workers=0)
    assert not torch.equal(alone[0], other[0])


def test_an_epoch_takes_each_tile_once_and_processes_share_each_step(garden: Workspace) -> None:
    dataset = toy_dataset(garden)
    whole = list(steps(dataset))
    taken = np.concatenate([order.indices for order in whole[:3]])
    assert len(set(taken.tolist())) == 96
    parts = [list(steps(dataset, world=World(rank, 2, 2, torch.device("cpu")))) for rank in (0, 1)]
    for order, one, two in zip(whole, *parts, strict=True):
        assert sorted([*one.indices, *two.indices]) == sorted(order.indices)
        assert one.known == two.known == order.known
        assert order.known == (dataset.targets[order.indices] >= 0).sum()


def test_a_batch_that_processes_cannot_share_evenly_is_told(garden: Workspace) -> None:
    dataset = toy_dataset(garden)
    with pytest.raises(TrainingError, match="cannot be shared out over 2") as caught:
        steps(dataset, world=World(0, 2, 2, torch.device("cpu")), batch_size=33)
    assert "multiple of 2" in caught.value.fix


def test_what_an_annotator_did_not_look_for_is_not_known(garden: Workspace) -> None:
    with open_store(garden) as store:
        tile = store.labelled_tiles()[0]
    from dataclasses import replace

    plants = Statement("ann", Origin.PAGE, Verdict.PLANTS, present=frozenset({DISC}))
    asked = replace(tile, statement=plants, looked_for=frozenset({DISC}))
    assert target_table([asked], (ANY_PLANT, DISC, BAR)).tolist() == [[1, 1, -1]]
    assert target_table([], (DISC,)).shape == (0, 1)
