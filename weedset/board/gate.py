"""Bare soil is skipped before the model is asked: a cheap look at how green each cell is.

A skipped cell is left alone, and looked at all the same beside what is to be treated, so a gate
can miss a weed but never harm a crop. What it misses is measured with labels by
`weedset evaluate --least-green`, and on the machine by letting the model look at every nth cell
that would have been skipped.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from weedset.greenness import vegetation
from weedset.lens import Floats

#: How many places a cell is looked at each way: of about 1.5 mm for a cell of 50 mm.
_PLACES = 32

#: Every which skipped cell is classified all the same. Common practice, no source.
AUDIT_EVERY = 50


@dataclass(frozen=True, slots=True)
class Gate:
    """Skip cells of which less than the share `least_green` is green.

    Every `audit_every`th of them is classified all the same; 0 is none.
    """

    least_green: float
    audit_every: int = AUDIT_EVERY


@dataclass(frozen=True, slots=True)
class GateTally:
    """How many cells a gate skipped, how many of the same kind it let the model look at, and
    in how many of those the model saw a plant: weeds that the gate would have missed."""

    skipped: int
    audited: int
    audited_with_plant: int


def green_shares(picture: NDArray[np.uint8], tile_px: int) -> Floats:
    """Return how much of each cell of a ground picture is green, (rows, cols), 0 to 1.

    `picture` is (rows * tile_px, cols * tile_px, 3). Neighbouring pixels are averaged first,
    so that a camera's colour noise is no leaf.
    """
    times = max(1, tile_px // _PLACES)
    while tile_px % times:
        times -= 1
    smaller = picture
    if times > 1:
        smaller = np.asarray(Image.fromarray(picture).reduce(times))
    side = tile_px // times
    green = vegetation(smaller)
    rows, cols = green.shape[0] // side, green.shape[1] // side
    return np.asarray(green.reshape(rows, side, cols, side).mean(axis=(1, 3)))


def skipped(shares: Floats, gate: Gate, digest: str) -> NDArray[np.bool_]:
    """Return which cells to skip, from their shares of green (n,).

    The photo's `digest` (hexadecimal) says with which of the bare cells the audit begins, so
    that it sees other places in each photo, and the same ones if the photo is judged again.
    """
    bare = shares < gate.least_green
    if gate.audit_every:
        places = np.flatnonzero(bare)
        begin = int(digest[:8], 16) % gate.audit_every
        bare[places[begin :: gate.audit_every]] = False
    return bare
