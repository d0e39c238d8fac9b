"""The ground under one frame as a coarse picture: what motion and plants are found in."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from weedset.board.classify import ClassifiedPhoto
from weedset.cells import cells_in_view
from weedset.greenness import vegetation
from weedset.preprocess import ground_picture
from weedset.records import CellLimits, GroundGrid

#: Pixels along the side of a cell: about 1.5 mm each for a cell of 50 mm, as for the gate.
_CELL_PX = 32

#: One sigma of the scale where the profile does not state it. Common practice, no source.
_SCALE_SHARE = 0.02


@dataclass(frozen=True, eq=False, slots=True)
class Ground:
    """A frame's ground, straight down and equally scaled whatever the camera.

    `grey` (0 to 255) and `green` are (rows * 32, cols * 32) over `grid`; what is not `seen`
    (rows, cols) by cell means nothing. `scale_share` is one sigma of the scale, as a share.
    """

    grid: GroundGrid
    grey: NDArray[np.float32]
    green: NDArray[np.bool_]
    seen: NDArray[np.bool_]
    scale_share: float

    @property
    def px_mm(self) -> float:
        """The side of a pixel on the ground."""
        return self.grid.cell_mm / _CELL_PX

    @property
    def cell_px(self) -> int:
        """The side of a cell in pixels."""
        return _CELL_PX


def ground_of(image: Image.Image, photo: ClassifiedPhoto) -> Ground:
    """Return the ground that a decoded frame shows; `photo` is what was decided on it."""
    cells = cells_in_view(photo.view, photo.grid.cell_mm, "drop", CellLimits(), photo.name)
    picture = ground_picture(image, cells, _CELL_PX)
    # ITU-R BT.601 luma, as Pillow has it.
    grey = picture @ np.array([0.299, 0.587, 0.114], np.float32)
    uncertainty = photo.scale.uncertainty_mm_per_px
    return Ground(
        grid=photo.grid,
        grey=grey.astype(np.float32),
        green=vegetation(picture),
        seen=cells.kept,
        scale_share=(
            _SCALE_SHARE if uncertainty is None else uncertainty / photo.scale.gsd_mm_per_px
        ),
    )
