"""What the pixels of a tile look like: how green it is, and numbers to tell look-alikes by."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

#: Excess green from which on a place may be leaf; common practice, no source.
_LEAST_EXCESS = 0.2

#: Below this mean of the channels colour is noise.
_DARK = 16

_BINS = 8

FEATURES = 4 * _BINS + 9


def excess_green(tile: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Return by how much each place is leaf, above 0 where it is, from (height, width, 3).

    Both indices of the literature must hold, since each is fooled by something: excess
    green 2g - r - b (Woebbecke et al. 1995, Trans. ASAE 38:259-269) by yellow grit, excess
    green minus excess red 3g - 2.4r - b (Meyer & Neto 2008, Comput. Electron. Agric.
    63:282-293) by bluish things. Of the means of 2 x 2 pixels, so that a camera's colour
    noise is no leaf: (height / 2, width / 2). -1 where it is too dark to tell.
    """
    height, width = tile.shape[0] // 2, tile.shape[1] // 2
    quads = tile[: 2 * height, : 2 * width].reshape(height, 2, width, 2, 3)
    channels = quads.mean(axis=(1, 3), dtype=np.float32)
    total = channels.sum(axis=2)
    red, green, blue = (channels[..., i] / np.maximum(total, 1) for i in range(3))
    leaf = np.minimum(2 * green - red - blue - _LEAST_EXCESS, 3 * green - 2.4 * red - blue)
    return np.where(total > 3 * _DARK, leaf, -1).astype(np.float32)


def green_share(excess: NDArray[np.float32]) -> float:
    """Return the share of a tile that is leaf."""
    return float((excess > 0).mean())


def features(tile: NDArray[np.uint8], excess: NDArray[np.float32]) -> NDArray[np.float16]:
    """Return FEATURES numbers that are close for tiles that look alike, wherever the plant lies.

    `excess` is that of the tile. Square roots of histograms (so that distances are those of
    Hellinger) of greenness, lightness, and the steepness of lightness at two scales, the
    latter among green pixels where there are any; then how green each ninth of the tile
    is, sorted.
    """
    light = tile[: 2 * excess.shape[0] : 2, : 2 * excess.shape[1] : 2].mean(
        axis=2, dtype=np.float32
    )
    green = excess > 0
    where = green if green.sum() >= _BINS else np.ones_like(green)
    coarse = light[: light.shape[0] // 4 * 4, : light.shape[1] // 4 * 4]
    coarse = coarse.reshape(coarse.shape[0] // 4, 4, -1, 4).mean(axis=(1, 3))
    parts = (
        _histogram(excess, -0.6, 1.0),
        _histogram(light, 0, 256),
        _histogram(_steepness(light)[where], 0, 64),
        _histogram(_steepness(coarse), 0, 64),
        _ninths(green),
    )
    return np.concatenate(parts).astype(np.float16)


def _steepness(light: NDArray[np.float32]) -> NDArray[np.float32]:
    rise = np.zeros_like(light)
    rise[:, 1:] = np.abs(np.diff(light, axis=1))
    rise[1:] += np.abs(np.diff(light, axis=0))
    return rise


def _histogram(values: NDArray[np.float32], least: float, most: float) -> NDArray[np.float32]:
    scaled = (values.ravel() - least) * (_BINS / (most - least))
    places = np.clip(scaled, 0, _BINS - 1).astype(np.intp)
    counts = np.bincount(places, minlength=_BINS).astype(np.float32)
    return np.asarray(np.sqrt(counts / max(1, places.size)), np.float32)


def _ninths(green: NDArray[np.bool_]) -> NDArray[np.float32]:
    rows = np.array_split(green, 3, axis=0)
    shares = [part.mean() for row in rows for part in np.array_split(row, 3, axis=1)]
    return np.sort(np.asarray(shares, np.float32))
