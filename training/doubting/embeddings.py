"""What a net that learned from ImageNet sees in a tile: 1280 numbers, alike for alike tiles."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import islice

import numpy as np
import torch
from numpy.typing import NDArray

from training.backbones import NORMALISATION, Lite0, imagenet_weights
from weedset.images import decode_tile
from weedset.preprocess import model_input, resize_tile

#: Tiles are shown to the net at this many pixels a side.
SIDE_PX = 128

_AT_ONCE = 32


def embed_tiles(pictures: Iterable[bytes]) -> NDArray[np.float32]:
    """Return the embeddings (n, 1280) of tiles, each given as its JPEG.

    Of EfficientNet-Lite0 with the weights that are installed, pooled before the last layer.
    Raises MissingPartError where the weights are not there, PhotoError for a damaged tile.
    """
    net = Lite0(1000, dropout=0.0)
    net.load_state_dict(imagenet_weights())
    net.eval()
    parts = [np.empty((0, 1280), np.float32)]
    with torch.inference_mode():
        for tiles in _batches(pictures):
            shown = torch.from_numpy(model_input(tiles, NORMALISATION))
            parts.append(net.embed(shown).numpy())
    return np.concatenate(parts)


def _batches(pictures: Iterable[bytes]) -> Iterator[NDArray[np.uint8]]:
    waiting = iter(pictures)
    while batch := list(islice(waiting, _AT_ONCE)):
        yield np.stack([resize_tile(decode_tile(data), SIDE_PX) for data in batch])
