"""How far a tool must stay from what it must not hurt, and how far it is from there."""

from __future__ import annotations

import numpy as np

from weedset.lens import Floats

#: How many sigmas a position may be off and still be kept clear of: 95 % for a normal error.
_SIGMAS = 2.0


def needed_mm(keep_out_mm: float, off_mm: Floats, cell_mm: float) -> Floats:
    """Return how far to stay from the near edge of cells that may lie `off_mm` (one sigma) off.

    Where that is not known (not finite), it is taken to be the side of a cell.
    """
    return keep_out_mm + _SIGMAS * np.where(np.isfinite(off_mm), off_mm, cell_mm)


def gap_mm(middles_mm: Floats, point_mm: tuple[float, float], cell_mm: float) -> Floats:
    """Return how far a point is from the near edge of each cell, (n,); `middles_mm` is (n, 2)."""
    beyond = np.abs(middles_mm - point_mm) - cell_mm / 2
    return np.asarray(np.hypot(*np.maximum(beyond, 0).T))
