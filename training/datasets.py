"""Labelled tiles as batches of model input and targets."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor
from torch.utils.data import DataLoader, Dataset

from training.augment import Augmenter, seed_worker
from training.backbones import NORMALISATION
from weedset.images import decode_tile
from weedset.labelling import targets
from weedset.preprocess import model_input, resize_tile
from weedset.records import LabelledTile
from weedset.tiling import read_tile

Sample = tuple[NDArray[np.uint8], NDArray[np.int8]]
Batch = tuple[Tensor, Tensor]


class TileDataset(Dataset[Sample]):
    """Labelled tiles, read from the archives in which they lie when asked for.

    `archive_of` tells the archive of a tile. An item is the tile (input_px,
    input_px, 3), changed at random where `augment` is given, and its targets (classes,):
    1 present, 0 absent, -1 not known. No file stays open, so worker processes share none.
    """

    def __init__(
        self,
        tiles: Sequence[LabelledTile],
        classes: Sequence[str],
        archive_of: Callable[[LabelledTile], Path],
        input_px: int,
        augment: Augmenter | None = None,
    ) -> None:
        self.targets = target_table(tiles, classes)
        self.augment = augment
        self._tiles = [item.tile for item in tiles]
        self._archives = [archive_of(item) for item in tiles]
        self._input_px = input_px

    def __len__(self) -> int:
        return len(self._tiles)

    def __getitem__(self, index: int) -> Sample:
        pixels = self.pixels(index)
        return pixels if self.augment is None else self.augment(pixels), self.targets[index]

    def pixels(self, index: int) -> NDArray[np.uint8]:
        """Return tile `index` unchanged, (input_px, input_px, 3). Raises PhotoError."""
        data = read_tile(self._archives[index], self._tiles[index])
        return resize_tile(decode_tile(data), self._input_px)


def target_table(tiles: Sequence[LabelledTile], classes: Sequence[str]) -> NDArray[np.int8]:
    """Return the targets of all tiles, (tiles, classes): 1, 0, or -1 for not known."""
    rows = [targets(tile, classes) for tile in tiles]
    return np.array(rows, dtype=np.int8).reshape(len(tiles), len(classes))


def training_loader(
    dataset: TileDataset, batch_size: int, workers: int, seed: int
) -> DataLoader[Sample]:
    """Return shuffled batches; the same seed and number of workers give the same again."""
    if not workers and dataset.augment is not None:
        dataset.augment.set_random_seed(seed)
    return DataLoader(
        dataset,
        min(batch_size, len(dataset)),
        shuffle=True,
        drop_last=True,  # batch norm over a last batch of one or two would be noise
        num_workers=workers,
        worker_init_fn=seed_worker,
        collate_fn=_collate,
        generator=torch.Generator().manual_seed(seed),
    )


def ordered_loader(dataset: TileDataset, batch_size: int, workers: int) -> DataLoader[Sample]:
    """Return all tiles in order, in batches."""
    return DataLoader(dataset, batch_size, num_workers=workers, collate_fn=_collate)


def _collate(samples: list[Sample]) -> Batch:
    tiles = model_input(np.stack([pixels for pixels, _ in samples]), NORMALISATION)
    known = np.stack([row for _, row in samples])
    return torch.from_numpy(tiles), torch.from_numpy(known)
