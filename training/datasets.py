"""Labelled tiles as batches of pixels and targets, in an order that seed and step alone fix."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor
from torch.utils.data import DataLoader, Dataset, Sampler

from training.augment import Augmenter, use_one_thread
from training.distributed import World, shared_batch
from training.recipe import Recipe
from training.stopping import leave_stopping_to_parent
from weedset.hands import cores, memory_bytes
from weedset.images import decode_tile
from weedset.labelling import targets
from weedset.preprocess import resize_tile
from weedset.records import LabelledTile
from weedset.tilearchive import read_tile

#: Of the memory of the machine, decoded tiles may take so much; more are decoded each time.
_MEMORY_SHARE = 0.25


@dataclass(frozen=True, slots=True)
class Order:
    """Tiles to fetch, by index. `epoch` decides how they are changed; None: not at all.

    `known` is how many targets are known in the whole step, of which other processes may
    fetch other tiles.
    """

    indices: NDArray[np.int64]
    epoch: int | None = None
    known: int = 0


#: Pixels (n, side, side, 3) as uint8, targets (n, classes) as int8, and `Order.known`.
Batch = tuple[Tensor, Tensor, int]


class TileDataset(Dataset[Batch]):
    """Labelled tiles, read from the archives in which they lie when asked for.

    `archive_of` tells the archive of a tile. Targets are 1 present, 0 absent, -1
    not known. No file stays open, so worker processes share none.
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
        self._augment = augment
        self._tiles = [item.tile for item in tiles]
        self._archives = [archive_of(item) for item in tiles]
        self._input_px = input_px
        self._decoded: NDArray[np.uint8] | None = None

    def __len__(self) -> int:
        return len(self._tiles)

    def __getitem__(self, order: Order) -> Batch:
        tiles = [self.pixels(index) for index in order.indices]
        if self._augment is not None and order.epoch is not None:
            tiles = [
                self._augment(tile, order.epoch, int(index))
                for tile, index in zip(tiles, order.indices, strict=True)
            ]
        known = torch.from_numpy(self.targets[order.indices])
        return torch.from_numpy(np.stack(tiles)), known, order.known

    def pixels(self, index: int) -> NDArray[np.uint8]:
        """Return tile `index` unchanged, (input_px, input_px, 3). Raises PhotoError."""
        return self._read(index) if self._decoded is None else self._decoded[index]

    def decode_all(self, world: World) -> None:
        """Decode all tiles once, where they fit in memory; forked workers share it.

        Raises PhotoError for a damaged tile.
        """
        shape = (len(self), self._input_px, self._input_px, 3)
        if np.prod(shape, dtype=np.int64) * world.here > memory_bytes() * _MEMORY_SHARE:
            return
        decoded = np.empty(shape, np.uint8)

        def fill(index: int) -> None:
            decoded[index] = self._read(index)

        with ThreadPoolExecutor(max(1, cores() // world.here)) as pool:
            for _ in pool.map(fill, range(len(self))):
                pass
        self._decoded = decoded

    def _read(self, index: int) -> NDArray[np.uint8]:
        data = read_tile(self._archives[index], self._tiles[index])
        return resize_tile(decode_tile(data), self._input_px)


class Steps(Sampler[Order]):
    """The tiles of each step of a run, from step `first` on: shuffled anew in each epoch.

    Each process of `world` gets its own part of each step. What is left over at the end of
    an epoch is left out: batch norm over a last batch of one or two would be noise.

    Raises TrainingError where the processes cannot share a batch evenly.
    """

    def __init__(
        self, targets: NDArray[np.int8], recipe: Recipe, world: World, first: int = 0
    ) -> None:
        self._known = (targets >= 0).sum(1)
        self._seed, self._world, self._first = recipe.seed, world, first
        self._batch = shared_batch(recipe.batch_size, len(targets), world)
        self.per_epoch = len(targets) // self._batch
        self.total = self.per_epoch * recipe.epochs

    @property
    def tiles_each(self) -> int:
        """How many tiles of a step each process gets."""
        return self._batch // self._world.size

    def __len__(self) -> int:
        return self.total - self._first

    def __iter__(self) -> Iterator[Order]:
        shuffled, shuffled_for = np.empty(0, np.int64), -1
        for step in range(self._first, self.total):
            epoch, place = divmod(step, self.per_epoch)
            if epoch != shuffled_for:
                rng = np.random.default_rng((self._seed, epoch))
                shuffled, shuffled_for = rng.permutation(len(self._known)), epoch
            whole = shuffled[place * self._batch : (place + 1) * self._batch]
            own = whole[self._world.rank :: self._world.size]
            yield Order(own, epoch, int(self._known[whole].sum()))


def training_loader(
    dataset: TileDataset, steps: Steps, workers: int, *, pinned: bool = False
) -> DataLoader[Batch]:
    """Return the batches of `steps`: the same ones whatever the number of workers."""
    return DataLoader(
        dataset,
        batch_size=None,
        sampler=steps,
        num_workers=workers,
        worker_init_fn=_begin_worker,
        pin_memory=pinned,
        prefetch_factor=4 if workers else None,
    )


def _begin_worker(_worker_id: int) -> None:
    use_one_thread()
    leave_stopping_to_parent()


def ordered_loader(dataset: TileDataset, batch_size: int, workers: int) -> DataLoader[Batch]:
    """Return all tiles in order and unchanged, in batches."""
    starts = range(0, len(dataset), batch_size)
    orders = [Order(np.arange(i, min(i + batch_size, len(dataset)))) for i in starts]
    return orders_loader(dataset, orders, workers)


def orders_loader(
    dataset: TileDataset, orders: Sequence[Order], workers: int = 0
) -> DataLoader[Batch]:
    """Return the batches of `orders`."""
    return DataLoader(dataset, batch_size=None, sampler=orders, num_workers=workers)


def target_table(tiles: Sequence[LabelledTile], classes: Sequence[str]) -> NDArray[np.int8]:
    """Return the targets of all tiles, (tiles, classes): 1, 0, or -1 for not known."""
    table = np.empty((len(tiles), len(classes)), np.int8)
    for row, tile in zip(table, tiles, strict=True):
        row[:] = targets(tile, classes)
    return table
