"""How good photos and tiles are to learn from: sharpness, light, glare, cover.

Shares are taken from every fourth pixel each way: a tile of 128 px still has 1024 of them, so
that they are good to some 2 %, at a sixteenth of the time.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from weedset.greenness import vegetation
from weedset.lens import Floats
from weedset.records import Quality, QualityLimits

#: A channel at its end tells nothing. Common practice, no source.
_BRIGHT, _DARK = 250, 8

#: Glare is bright and has lost its colour. Common practice, no source.
_GLARE_LEAST, _GLARE_SPREAD = 225, 24

#: Light is judged on blocks of soil, this many along the side of a cell: on cells of 50 mm they
#: are 12.5 mm, so that stones and clods average out and a shadow does not.
_BLOCKS = 4

#: Less soil than this between the leaves of a block tells nothing of the light there.
_LEAST_SOIL = 0.25

#: There is shadow where the dark class of blocks is less than this as bright as the other, the
#: two explain most of what varies, each hangs together rather than being strewn about, and
#: enough soil is lit to show what light is. Common practice, no source.
_SHADOW_DARKER, _SHADOW_EXPLAINS, _HANGS_TOGETHER, _LEAST_LIT = 0.7, 0.7, 0.5, 0.2

#: Blurred is what has less than this share of the usual sharpness. Common practice, no source.
_BLURRED = 0.25

#: Every how many pixels shares are taken.
_STEP = 4


def otsu_threshold(histogram: NDArray[np.int64]) -> tuple[int, float]:
    """Return the level up to which a value is dark, and the share of variance that explains.

    Otsu 1979, IEEE Trans. SMC 9(1): 62-66: the level with the largest variance between the
    classes. The lowest one where several are as good.
    """
    count = histogram.sum()
    levels = np.arange(len(histogram))
    share = histogram.cumsum() / max(1, count)
    moment = (histogram * levels).cumsum() / max(1, count)
    mean = moment[-1]
    variance = float((histogram * (levels - mean) ** 2).sum() / max(1, count))
    with np.errstate(divide="ignore", invalid="ignore"):
        between = (mean * share - moment) ** 2 / (share * (1 - share))
    between = np.nan_to_num(between, nan=0.0, posinf=0.0)
    best = int(between.argmax())
    return best, float(between[best] / variance) if variance > 0 else 0.0


def measure(
    picture: NDArray[np.uint8], kept: NDArray[np.bool_], tile_px: int
) -> tuple[Floats, Quality]:
    """Return the quality of the kept cells of a ground picture, row by row, and of the whole.

    The first is a table (cells, 7) with the fields of `Quality` as its columns. `kept` is
    (rows, cols) and `picture` (rows * tile_px, cols * tile_px, 3). Shares of the photo are
    the means of its tiles, its sharpness is their median.
    """
    rows, cols = kept.shape
    some = picture.reshape(rows, tile_px, cols, tile_px, 3)[:, ::_STEP, :, ::_STEP]
    some = np.ascontiguousarray(some).reshape(rows * some.shape[1], -1, 3)
    grey = np.asarray(cv2.cvtColor(some, cv2.COLOR_RGB2GRAY), dtype=np.uint8)
    red, green, blue = cv2.split(some)
    most, least = cv2.max(cv2.max(red, green), blue), cv2.min(cv2.min(red, green), blue)
    plants = vegetation(some)

    def share(pixels: NDArray[Any]) -> Floats:
        return np.asarray(_cells(pixels, kept).mean(axis=(1, 3))[kept], dtype=np.float64)

    columns = [
        _sharpness(picture, kept, tile_px)[kept],
        share(grey) / 255,
        share(least >= _BRIGHT),
        share(most <= _DARK),
        share(_in_shadow(grey, plants, kept)),
        share((most >= _GLARE_LEAST) & (cv2.subtract(most, least) <= _GLARE_SPREAD)),
        share(plants),
    ]
    table = np.stack(columns, axis=-1)
    whole = table.mean(axis=0)
    whole[0] = np.median(table[:, 0])
    return table, Quality(*whole.tolist())


def _cells(pixels: NDArray[Any], kept: NDArray[np.bool_]) -> NDArray[Any]:
    """View pixels of a whole picture as (rows, side, cols, side)."""
    rows, cols = kept.shape
    return pixels.reshape(rows, pixels.shape[0] // rows, cols, pixels.shape[1] // cols)


def _sharpness(picture: NDArray[np.uint8], kept: NDArray[np.bool_], tile_px: int) -> Floats:
    """Return the variance of the Laplacian (4 neighbours) in the middle quarter of each cell.

    Pech-Pacheco et al. 2000 (from memory). It also grows with contrast, so it compares
    photos of like ground.
    """
    rows, cols = kept.shape
    edge = tile_px // 4
    middles = picture.reshape(rows, tile_px, cols, tile_px, 3)[:, edge:-edge, :, edge:-edge]
    side = middles.shape[1]
    together = np.ascontiguousarray(middles).reshape(rows * side, cols * side, 3)
    edges = cv2.Laplacian(cv2.cvtColor(together, cv2.COLOR_RGB2GRAY), cv2.CV_16S, ksize=1)
    # Without the outermost pixels, whose neighbours are of another cell.
    inner = edges.reshape(rows, side, cols, side)[:, 1:-1, :, 1:-1].astype(np.float32)
    return np.asarray(inner.var(axis=(1, 3)), dtype=np.float64)


def _in_shadow(
    grey: NDArray[np.uint8], plants: NDArray[np.bool_], kept: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Return which pixels lie in shadow: the dark one of two regions of soil, if there are two."""
    # What is burnt out is no sunlit soil, and would make shadow of all the rest.
    soil = (_cells(~plants & (grey < _BRIGHT), kept) & kept[:, None, :, None]).reshape(grey.shape)
    size = (kept.shape[1] * _BLOCKS, kept.shape[0] * _BLOCKS)
    weight, light = (
        cv2.resize(values, size, interpolation=cv2.INTER_AREA)
        for values in (soil.astype(np.float32), np.where(soil, grey, 0).astype(np.float32))
    )
    known = weight > _LEAST_SOIL
    mean = light / np.maximum(weight, _LEAST_SOIL)
    level, explains = otsu_threshold(
        np.bincount(mean[known].astype(np.uint8), minlength=256).astype(np.int64)
    )
    dark = known & (mean < level + 1)
    lit = known & ~dark
    if (
        explains < _SHADOW_EXPLAINS
        or lit.sum() < _LEAST_LIT * known.sum()
        or mean[dark].mean() > _SHADOW_DARKER * mean[lit].mean()
        or not (_hangs_together(dark, known) and _hangs_together(lit, known))
    ):
        return np.zeros(grey.shape, dtype=bool)
    whole = cv2.resize(dark.astype(np.uint8), grey.shape[::-1], interpolation=cv2.INTER_NEAREST)
    return np.asarray((whole > 0) & ~plants)


def _hangs_together(blocks: NDArray[np.bool_], known: NDArray[np.bool_]) -> bool:
    """Return whether most of `blocks` is one piece, across leaves too."""
    _, pieces = cv2.connectedComponents((blocks | ~known).astype(np.uint8), connectivity=8)
    return bool(np.bincount(pieces[blocks]).max() > _HANGS_TOGETHER * blocks.sum())


def faults(quality: Quality, limits: QualityLimits) -> list[str]:
    """Return the names of the measures in which a photo or tile is beyond the limits."""
    found = []
    for limit in fields(limits):
        value = getattr(limits, limit.name)
        extent, _, measure_name = limit.name.partition("_")
        got = getattr(quality, measure_name)
        if value is not None and (got < value if extent == "least" else got > value):
            found.append(measure_name)
    return found


def usual_limits(photos: Sequence[Quality]) -> QualityLimits:
    """Return limits for photos of like ground; blurred is told by their own usual sharpness.

    All of them: common practice, no source.
    """
    least = _BLURRED * float(np.median([q.sharpness for q in photos])) if photos else None
    return QualityLimits(
        least_sharpness=least,
        least_brightness=0.15,
        most_brightness=0.85,
        most_overexposed=0.05,
        most_underexposed=0.2,
        most_shadow=0.5,
        most_glare=0.05,
    )
