"""What a net that learned from ImageNet sees in a tile: 1280 numbers, alike for alike tiles."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from concurrent.futures import Executor
from functools import cache
from itertools import islice

import numpy as np
import torch
from numpy.typing import NDArray

from training.backbones import NORMALISATION, Lite0, imagenet_weights
from weedset.hands import in_order
from weedset.images import decode_tile
from weedset.preprocess import model_input, resize_tile

#: Tiles are shown to the net at this many pixels a side.
SIDE_PX = 128

_AT_ONCE = 32


def embed_tiles(pictures: Iterable[bytes], executor: Executor | None = None) -> NDArray[np.float32]:
    """Return the embeddings (n, 1280) of tiles, each given as its JPEG.

    Of EfficientNet-Lite0 with the weights that are installed, pooled before the last layer.
    Without an `executor` it is done in this process, since torch takes all cores anyway.
    Raises MissingPartError where the weights are not there, PhotoError for a damaged tile.
    """
    parts = in_order(_embed, SIDE_PX, _batches(pictures), workers=1, executor=executor)
    return np.concatenate([np.empty((0, 1280), np.float32), *parts])


def _batches(pictures: Iterable[bytes]) -> Iterator[tuple[bytes, ...]]:
    waiting = iter(pictures)
    while batch := tuple(islice(waiting, _AT_ONCE)):
        yield batch


def _embed(side_px: int, pictures: tuple[bytes, ...]) -> NDArray[np.float32]:
    tiles = np.stack([resize_tile(decode_tile(data), side_px) for data in pictures])
    with torch.inference_mode():
        seen: NDArray[np.float32] = (
            _net().embed(torch.from_numpy(model_input(tiles, NORMALISATION))).numpy()
        )
    return seen


@cache
def _net() -> Lite0:
    """Return the net, which each process reads once."""
    net = Lite0(1000, dropout=0.0)
    net.load_state_dict(imagenet_weights())
    return net.eval()
