"""The calibration board of weedset, and finding it in photos.

A checkerboard of 10 x 7 squares: one side even and one odd, so that its two ends differ.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from weedset.errors import CameraError
from weedset.images import open_photo
from weedset.lens import Floats
from weedset.view import to_stored

#: Squares along and down the board, and their side as printed.
SQUARES = (10, 7)
SQUARE_MM = 24.0

#: Length of the printed rulers.
RULER_MM = 200.0

#: Photos are searched at this size and corners refined at full size: several times as quick.
_SEARCH_PX = 1600


@dataclass(frozen=True, eq=False)
class SeenBoard:
    """The inner corners of the board in one photo.

    `pixels`, (54, 2), are those of the picture as stored, whose size is `width_px` x
    `height_px`, in the order of `board_points_mm`.
    """

    path: Path
    width_px: int
    height_px: int
    pixels: Floats


def board_points_mm(square_mm: float = SQUARE_MM) -> Floats:
    """Return the inner corners of the board, row by row, (54, 3), on its plane z = 0."""
    cols, rows = SQUARES[0] - 1, SQUARES[1] - 1
    x, y = np.meshgrid(np.arange(cols), np.arange(rows))
    flat = np.stack([x.ravel(), y.ravel(), np.zeros(cols * rows)], axis=-1)
    return np.asarray(flat * square_mm, dtype=np.float64)


def find_board(path: Path) -> SeenBoard:
    """Find the board in a photo.

    Raises PhotoError for what is no photo, CameraError where the board is not in it.
    """
    opened = open_photo(path)
    grey = np.asarray(opened.image.convert("L"))
    smaller = min(1.0, _SEARCH_PX / max(grey.shape))
    search = cv2.resize(grey, None, fx=smaller, fy=smaller, interpolation=cv2.INTER_AREA)
    inner = (SQUARES[0] - 1, SQUARES[1] - 1)
    flags = cv2.CALIB_CB_NORMALIZE_IMAGE | cv2.CALIB_CB_EXHAUSTIVE | cv2.CALIB_CB_ACCURACY
    found, corners = cv2.findChessboardCornersSB(search, inner, flags=flags)
    if not found:
        raise CameraError(
            f"shows no whole board of {SQUARES[0]} x {SQUARES[1]} squares",
            where=str(path),
            fix="print the sheet of `weedset camera sheet`, keep it flat and all of it in the "
            "photo, sharp and in even light; boards of another make do not do",
        )
    ratio = np.array(grey.shape[::-1]) / np.array(search.shape[::-1])
    pixels = (corners.reshape(-1, 2).astype(np.float64) + 0.5) * ratio - 0.5
    if smaller < 1:
        pixels = _refined(grey, pixels)
    stored = to_stored(opened.exif.orientation, opened.width_px, opened.height_px, pixels)
    turned = opened.exif.orientation >= 5
    size = (opened.width_px, opened.height_px)
    width_px, height_px = size[::-1] if turned else size
    return SeenBoard(path, width_px, height_px, stored)


def _refined(grey: np.ndarray, pixels: Floats) -> Floats:
    """Refine corners in the full photo, looking no further than a quarter of a square."""
    grid = pixels.reshape(SQUARES[1] - 1, SQUARES[0] - 1, 2)
    steps = [np.linalg.norm(np.diff(grid, axis=axis), axis=-1).min() for axis in (0, 1)]
    reach = max(2, min(15, int(min(steps) / 4)))
    stop = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 50, 1e-3)
    start = pixels.astype(np.float32).reshape(-1, 1, 2)
    refined = cv2.cornerSubPix(grey, start, (reach, reach), (-1, -1), stop)
    return np.asarray(refined.reshape(-1, 2), dtype=np.float64)
