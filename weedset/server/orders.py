"""In which order tiles are labelled: pure functions over what is known of each tile."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Places = NDArray[np.intp]

#: How many different-looking tiles come first, and how many groups look-alikes form.
_MOST_CENTRES = 240
_TILES_PER_GROUP = 12


def bare_last(places: Places, green: NDArray[np.float32], least_green: float) -> Places:
    """Move the tiles that are less green than `least_green` to the end, else as they were.

    Tiles of unknown greenness (NaN) count as green.
    """
    return places[np.argsort(_is_bare(places, green, least_green), kind="stable")]


def unsure_first(places: Places, doubt: NDArray[np.float32]) -> Places:
    """Sort by falling doubt; tiles of unknown doubt (NaN) come last."""
    return places[np.argsort(-np.nan_to_num(doubt[places], nan=-1.0), kind="stable")]


def varied_first(places: Places, features: NDArray[np.float16]) -> Places:
    """Put first the tile farthest from the mean, then always that farthest from all before.

    Farthest-first traversal (Gonzalez 1985, Theor. Comput. Sci. 38:293-306), for as many
    tiles as are worth it; the rest follow as they were.
    """
    centres, _ = _spread(features[places], min(_MOST_CENTRES, len(places)))
    first = places[centres]
    rest = np.ones(len(places), np.bool_)
    rest[centres] = False
    return np.concatenate([first, places[rest]])


def look_alikes(places: Places, features: NDArray[np.float16]) -> Places:
    """Put tiles that look alike next to each other, the largest groups first."""
    groups = max(1, min(_MOST_CENTRES, len(places) // _TILES_PER_GROUP))
    _, nearest = _spread(features[places], groups)
    sizes = np.bincount(nearest, minlength=groups)
    return places[np.lexsort((nearest, -sizes[nearest]))]


def _is_bare(places: Places, green: NDArray[np.float32], least_green: float) -> NDArray[np.bool_]:
    return np.asarray(np.nan_to_num(green[places], nan=1.0) < least_green)


def _spread(vectors: NDArray[np.float16], count: int) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return `count` spread-out rows, and for each row of `vectors` which of them is nearest."""
    rows = np.nan_to_num(vectors.astype(np.float32))
    if not len(rows):
        return np.empty(0, np.intp), np.empty(0, np.intp)
    norms = np.einsum("ij,ij->i", rows, rows)
    centre = int(np.argmax(_distances(rows, norms, rows.mean(axis=0))))
    chosen = [centre]
    closest = _distances(rows, norms, rows[centre])
    nearest = np.zeros(len(rows), np.intp)
    while len(chosen) < count:
        centre = int(np.argmax(closest))
        if closest[centre] <= 0:
            break  # the rest look the same as one chosen
        distances = _distances(rows, norms, rows[centre])
        nearest[distances < closest] = len(chosen)
        np.minimum(closest, distances, out=closest)
        closest[centre] = 0
        chosen.append(centre)
    return np.asarray(chosen, np.intp), nearest


def _distances(
    rows: NDArray[np.float32], norms: NDArray[np.float32], centre: NDArray[np.float32]
) -> NDArray[np.float32]:
    """Return squared distances to `centre`."""
    return np.asarray(np.maximum(norms - 2 * (rows @ centre) + centre @ centre, 0), np.float32)
