import numpy as np
import torch
from toy_garden import BAR, DISC, draw_photo

from training.augment import Augmenter
from training.backbones import NORMALISATION
from training.datasets import TileDataset, ordered_loader, target_table, training_loader
from training.sources import from_workspace
from weedset.preprocess import model_input
from weedset.records import ANY_PLANT, Origin, Statement, Verdict
from weedset.settings import Workspace
from weedset.store import open_store


def toy_dataset(garden: Workspace, augment: Augmenter | None = None, px: int = 32) -> TileDataset:
    with open_store(garden) as store:
        tiles = store.labelled_tiles()
    classes = (ANY_PLANT, DISC, BAR)
    return TileDataset(tiles[:126], classes, from_workspace(garden).archive_of, px, augment)


def test_batches_are_what_the_board_would_feed_the_model(garden: Workspace) -> None:
    dataset = toy_dataset(garden)
    tiles, targets = next(iter(ordered_loader(dataset, 16, workers=0)))
    pixels = np.stack([dataset.pixels(i) for i in range(16)])
    assert np.array_equal(tiles.numpy(), model_input(pixels, NORMALISATION))
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
    alone = torch.cat([tiles for tiles, _ in ordered_loader(dataset, 50, workers=0)])
    shared = torch.cat([tiles for tiles, _ in ordered_loader(dataset, 50, workers=2)])
    assert torch.equal(alone, shared)


def test_training_batches_repeat_with_the_seed_and_differ_between_epochs(
    garden: Workspace,
) -> None:
    def epochs(seed: int, workers: int) -> list[torch.Tensor]:
        loader = training_loader(toy_dataset(garden, Augmenter(0)), 32, workers, seed)
        return [torch.cat([tiles for tiles, _ in loader]) for _ in range(2)]

    for workers in (0, 2):
        first, second = epochs(1, workers)
        assert len(first) == 96  # 126 tiles make three whole batches of 32
        assert not torch.equal(first, second)
        again = epochs(1, workers)
        assert torch.equal(first, again[0])
        assert torch.equal(second, again[1])
        assert not torch.equal(first, epochs(2, workers)[0])


def test_what_an_annotator_did_not_look_for_is_not_known(garden: Workspace) -> None:
    with open_store(garden) as store:
        tile = store.labelled_tiles()[0]
    from dataclasses import replace

    plants = Statement("ann", Origin.PAGE, Verdict.PLANTS, present=frozenset({DISC}))
    asked = replace(tile, statement=plants, looked_for=frozenset({DISC}))
    assert target_table([asked], (ANY_PLANT, DISC, BAR)).tolist() == [[1, 1, -1]]
    assert target_table([], (DISC,)).shape == (0, 1)
