"""Grids of cells on the ground, and where they lie in a straight-down photo.

For tilted and bent views see `weedset.view` and `weedset.cells`: they become straight-down
ground before anything else, so that what comes after sees equal cells whatever the camera.
"""

from __future__ import annotations

import math

import numpy as np

from weedset.errors import CameraError
from weedset.lens import bend
from weedset.records import (
    CalibratedLens,
    Distortion,
    Edge,
    Equivalent35mm,
    FieldOfView,
    FocalLength,
    Footprint,
    GroundGrid,
    Lens,
)

#: Diagonal of the 36 x 24 mm frame to which "35 mm equivalent" refers (CIPA DCG-001).
FRAME_DIAGONAL_MM = math.hypot(36.0, 24.0)

#: Cells within this share of a whole one count as whole: a photo of exactly 20 cells
#: must not lose one to rounding.
_WHOLE_CELL_SLACK = 1e-6


def focal_length_px(
    lens: Lens, width_px: int, height_px: int, distortion: Distortion | None = None
) -> float:
    """Return the focal length in pixels of `lens` over a picture of the given size.

    f = (size / 2) / r(angle / 2), r being tan without distortion and otherwise what the
    lens makes of that angle; f = focal length / pitch; or, for a 35 mm equivalent,
    f = f35 * diagonal_px / 43.27 (equal diagonal angle of view).

    Raises CameraError where a focal length or a pitch is still unknown, or the lens sees
    no such angle.
    """
    match lens:
        case FieldOfView(angle_deg, across):
            size_px = {
                "width": width_px,
                "height": height_px,
                "diagonal": math.hypot(width_px, height_px),
            }[across]
            return size_px / 2 / _radius(angle_deg / 2, distortion)
        case FocalLength(focal_length_mm, pixel_pitch_um):
            if focal_length_mm is None or pixel_pitch_um is None:
                missing = "focal_length_mm" if focal_length_mm is None else "pixel_pitch_um"
                raise CameraError(f"{missing} is not known")
            return focal_length_mm * 1000 / pixel_pitch_um
        case Equivalent35mm(focal_length_35mm_mm):
            half_deg = math.degrees(math.atan(FRAME_DIAGONAL_MM / 2 / focal_length_35mm_mm))
            return math.hypot(width_px, height_px) / 2 / _radius(half_deg, distortion)
        case CalibratedLens(focal_px):
            return focal_px


def _radius(angle_deg: float, distortion: Distortion | None) -> float:
    """Return how many focal lengths from its centre a lens shows a ray at an angle to its axis."""
    angle = math.radians(angle_deg)
    ray = np.array([math.sin(angle), 0.0, math.cos(angle)])
    if distortion is not None and distortion.model == "brown-conrady":
        k1, k2, _, _, k3 = distortion.coefficients  # an angle of view is that of the radial part
        distortion = Distortion("brown-conrady", (k1, k2, 0.0, 0.0, k3))
    radius = float(bend(distortion, ray)[0])
    if not math.isfinite(radius):
        raise CameraError(f"its distortion does not hold {angle_deg:g} degrees from the axis")
    return radius


def ground_sample_distance_mm(height_mm: float, focal_px: float) -> float:
    """Return the ground that one pixel spans: gsd = pitch * distance / focal length."""
    return height_mm / focal_px


def lay_grid(footprint: Footprint, cell_mm: float, edge: Edge) -> GroundGrid:
    """Lay whole cells over `footprint`, centred; "pad" adds the partial ones at the edge.

    The grid may be empty (rows or cols 0) where a cell does not fit and edge is "drop".
    """
    width_mm = footprint.x_max_mm - footprint.x_min_mm
    height_mm = footprint.y_max_mm - footprint.y_min_mm
    cols, rows = (_cells(size_mm / cell_mm, edge) for size_mm in (width_mm, height_mm))
    return GroundGrid(
        cell_mm=cell_mm,
        rows=rows,
        cols=cols,
        x_min_mm=(footprint.x_min_mm + footprint.x_max_mm - cols * cell_mm) / 2,
        y_min_mm=(footprint.y_min_mm + footprint.y_max_mm - rows * cell_mm) / 2,
    )


def _cells(count: float, edge: Edge) -> int:
    if edge == "drop":
        return math.floor(count + _WHOLE_CELL_SLACK)
    return math.ceil(count - _WHOLE_CELL_SLACK)


def cell_footprint(grid: GroundGrid, row: int, col: int) -> Footprint:
    """Return the ground that cell (row, col) covers."""
    x_min_mm = grid.x_min_mm + col * grid.cell_mm
    y_min_mm = grid.y_min_mm + row * grid.cell_mm
    return Footprint(x_min_mm, y_min_mm, x_min_mm + grid.cell_mm, y_min_mm + grid.cell_mm)


def cell_centre_mm(grid: GroundGrid, row: int, col: int) -> tuple[float, float]:
    """Return the ground position (x_mm, y_mm) of the middle of cell (row, col)."""
    return (
        grid.x_min_mm + (col + 0.5) * grid.cell_mm,
        grid.y_min_mm + (row + 0.5) * grid.cell_mm,
    )


def inside_share(cell: Footprint, photo: Footprint) -> float:
    """Return the share of a cell's area that lies inside the photo."""
    width = min(cell.x_max_mm, photo.x_max_mm) - max(cell.x_min_mm, photo.x_min_mm)
    height = min(cell.y_max_mm, photo.y_max_mm) - max(cell.y_min_mm, photo.y_min_mm)
    area = (cell.x_max_mm - cell.x_min_mm) * (cell.y_max_mm - cell.y_min_mm)
    return min(1.0, max(0.0, width) * max(0.0, height) / area)


def ground_box_px(
    ground: Footprint,
    width_px: int,
    height_px: int,
    gsd_mm_per_px: float,
    centre_px: tuple[float, float] | None = None,
) -> tuple[float, float, float, float]:
    """Return (left, top, right, bottom) of `ground` in a straight-down photo.

    In edge coordinates: 0 is the photo's outer edge and `width_px` the opposite one, as
    image resizing counts. A pixel-centre coordinate is half a pixel less. `centre_px` is
    where the photo shows the ground's origin, in edge coordinates; its middle if not given.
    """
    centre_x, centre_y = centre_px or (width_px / 2, height_px / 2)
    return (
        centre_x + ground.x_min_mm / gsd_mm_per_px,
        centre_y + ground.y_min_mm / gsd_mm_per_px,
        centre_x + ground.x_max_mm / gsd_mm_per_px,
        centre_y + ground.y_max_mm / gsd_mm_per_px,
    )


def grid_footprint(grid: GroundGrid) -> Footprint:
    """Return the ground that all cells of `grid` cover together."""
    return Footprint(
        grid.x_min_mm,
        grid.y_min_mm,
        grid.x_min_mm + grid.cols * grid.cell_mm,
        grid.y_min_mm + grid.rows * grid.cell_mm,
    )
