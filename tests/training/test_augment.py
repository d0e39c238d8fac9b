import os
from collections.abc import Iterator

import numpy as np
import pytest
from numpy.typing import NDArray
from torch.utils.data import DataLoader, Dataset

from training.augment import Augmenter, seed_worker


class OneTile(Dataset[NDArray[np.uint8]]):
    """The same tile again and again, changed: equal results mean equal random draws."""

    def __init__(self, seed: int) -> None:
        self.augment = Augmenter(seed)
        self.tile = np.random.default_rng(0).integers(0, 256, (32, 32, 3), np.uint8)

    def __len__(self) -> int:
        return 8

    def __getitem__(self, index: int) -> NDArray[np.uint8]:
        return self.augment(self.tile)


def epochs(seed: int, count: int = 2) -> Iterator[list[bytes]]:
    import torch

    loader = DataLoader(
        OneTile(seed),
        batch_size=4,
        num_workers=2,
        worker_init_fn=seed_worker,
        collate_fn=lambda tiles: tiles,
        generator=torch.Generator().manual_seed(seed),
    )
    for _ in range(count):
        # Batch 1 comes from one worker, batch 2 from the other.
        yield [tile.tobytes() for batch in loader for tile in batch]


@pytest.fixture(scope="module")
def two_epochs() -> list[list[bytes]]:
    return list(epochs(seed=1))


def test_two_workers_draw_differently(two_epochs: list[list[bytes]]) -> None:
    first = two_epochs[0]
    assert first[:4] != first[4:]
    assert len(set(first)) >= 7


def test_two_epochs_differ(two_epochs: list[list[bytes]]) -> None:
    assert not set(two_epochs[0]) & set(two_epochs[1])


def test_the_same_seed_gives_the_same_tiles(two_epochs: list[list[bytes]]) -> None:
    assert list(epochs(seed=1)) == two_epochs
    assert next(epochs(seed=2, count=1)) != two_epochs[0]


def test_tiles_keep_shape_and_kind_and_the_original_is_left_alone() -> None:
    tile = np.random.default_rng(0).integers(0, 256, (96, 96, 3), np.uint8)
    before = tile.copy()
    augment = Augmenter(3)
    for _ in range(50):
        changed = augment(tile)
        assert changed.shape == tile.shape
        assert changed.dtype == np.uint8
    assert np.array_equal(tile, before)


def test_changes_come_independently() -> None:
    # Seeded alike, all changes that share a probability would come together or not at all.
    augment = Augmenter(5)
    draws = [change.py_random.random() for change in augment._compose.transforms]
    assert len(set(draws)) == len(draws)


def test_the_library_is_told_not_to_look_for_updates() -> None:
    assert os.environ["NO_ALBUMENTATIONS_UPDATE"] == "1"
