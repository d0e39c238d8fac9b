"""Which cells of the ground a photo shows well enough, and how well it shows each."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from weedset.errors import CameraError, PhotoError
from weedset.geometry import cell_footprint, inside_share, lay_grid
from weedset.lens import Floats
from weedset.records import CellLimits, Edge, Footprint, GroundGrid, Photo, View
from weedset.view import border_pixels, ground_to_pixels, is_plain, pixels_to_ground, tilt_deg

#: Why a cell was dropped.
OUTSIDE = "partly outside the photo"
OBLIQUE = "seen too obliquely"
COARSE = "too coarse"

#: A wrong height must not fill the memory.
_MOST_CELLS = 100_000

#: Cells further out than this are not even counted as seen too obliquely.
_FAR_DEG = 75.0

#: A reduced cell may have slightly fewer pixels than its tile: 97 of 100 lose nothing that
#: shows, and a decoding at the next larger size costs twice the time.
_ENOUGH_PX = 0.97

#: How many steps each side of a cell is walked in to see whether it lies in the photo.
_STEPS = 4

#: A cell that reaches the very edge of the photo must not be lost to rounding, in px.
_SLACK_PX = 1e-3


@dataclass(frozen=True, eq=False)
class CellsInView:
    """The grid under one photo, and for each cell, (rows, cols), how it is seen.

    `gsd_mm_per_px` is the worst in the cell, in any direction. `oblique_deg` is NaN where
    the height of the camera is not known. `dropped` counts cells by reason.
    """

    view: View
    grid: GroundGrid
    kept: NDArray[np.bool_]
    gsd_mm_per_px: Floats
    oblique_deg: Floats
    inside_share: Floats
    dropped: tuple[tuple[str, int], ...]

    def places(self) -> Iterator[tuple[int, int]]:
        """Yield (row, col) of the kept cells, row by row."""
        rows, cols = np.nonzero(self.kept)
        yield from zip(rows.tolist(), cols.tolist(), strict=True)


def cells_in_view(
    view: View, cell_mm: float, edge: Edge, limits: CellLimits, where: str
) -> CellsInView:
    """Lay cells on the plane that a photo shows, and keep those that are seen well enough.

    The same arguments but for `where`, which names the photo, give the same object, so a
    run over many photos of one camera pays once.

    Raises PhotoError where no cell is left, CameraError where there would be too many.
    """
    try:
        return _cells_in_view(view, cell_mm, edge, limits)
    except (PhotoError, CameraError) as error:
        raise type(error)(error.what, where=where, fix=error.fix) from None


def share_needed(cells: CellsInView, tile_px: int) -> float:
    """Return the share of a photo's sides that decoding must keep for tiles of a given side."""
    worst = float(cells.gsd_mm_per_px[cells.kept].max())
    return _ENOUGH_PX * tile_px * worst / cells.grid.cell_mm


def cells_of_photo(photo: Photo) -> CellsInView:
    """Return the cells of a photo that was cut, as they were then.

    Raises PhotoError where this version of weedset would lay another grid.
    """
    cells = cells_in_view(photo.view, photo.grid.cell_mm, photo.edge, photo.limits, photo.name)
    if cells.grid != photo.grid:
        what = "was cut by another version of weedset, which laid its grid otherwise"
        raise PhotoError(what, where=photo.name, fix="tile it again in a new workspace")
    return cells


@lru_cache(maxsize=8)
def _cells_in_view(view: View, cell_mm: float, edge: Edge, limits: CellLimits) -> CellsInView:
    grid, footprint = _whole_grid(view, cell_mm, edge, limits)
    kept = np.ones((grid.rows, grid.cols), dtype=bool)
    oblique_deg = _oblique_deg(view, grid)
    if is_plain(view):
        gsd = np.full(kept.shape, view.gsd_mm_per_px)
        shares = [
            inside_share(cell_footprint(grid, *divmod(index, grid.cols)), footprint)
            for index in range(grid.rows * grid.cols)
        ]
        inside = np.array(shares).reshape(grid.rows, grid.cols)
        touched = kept
    else:
        gsd = _worst_gsd(view, grid)
        inside = _inside_share(view, grid)
        touched = inside > 0
    dropped = {}
    for reason, bad in (
        (OUTSIDE, inside < 1 if edge == "drop" and not is_plain(view) else inside <= 0),
        (OBLIQUE, oblique_deg > limits.most_oblique_deg),
        (COARSE, ~(gsd <= (limits.worst_gsd_mm_per_px or math.inf))),
    ):
        dropped[reason] = int(np.count_nonzero(kept & touched & bad))
        kept = kept & ~bad
    reasons = tuple((reason, count) for reason, count in dropped.items() if count)
    if not kept.any():
        raise _nothing_left(view, cell_mm, reasons)
    rows, cols = np.flatnonzero(kept.any(axis=1)), np.flatnonzero(kept.any(axis=0))
    part = np.s_[rows[0] : rows[-1] + 1, cols[0] : cols[-1] + 1]
    corner = cell_footprint(grid, int(rows[0]), int(cols[0]))
    kept = kept[part]
    trimmed = GroundGrid(cell_mm, kept.shape[0], kept.shape[1], corner.x_min_mm, corner.y_min_mm)
    return CellsInView(view, trimmed, kept, gsd[part], oblique_deg[part], inside[part], reasons)


def _whole_grid(
    view: View, cell_mm: float, edge: Edge, limits: CellLimits
) -> tuple[GroundGrid, Footprint]:
    """Lay a grid over all the ground in the photo, short of the horizon.

    It lies the same whatever the limits, unless only they keep it from being endless.
    """
    for widest_deg in (max(_FAR_DEG, limits.most_oblique_deg), limits.most_oblique_deg):
        footprint = _reach(view, widest_deg)
        grid = lay_grid(footprint, cell_mm, edge if is_plain(view) else "pad")
        if grid.rows * grid.cols <= _MOST_CELLS:
            break
    width_mm = footprint.x_max_mm - footprint.x_min_mm
    height_mm = footprint.y_max_mm - footprint.y_min_mm
    if grid.rows == 0 or grid.cols == 0:
        raise PhotoError(
            f"covers {width_mm:.0f} x {height_mm:.0f} mm of ground, less than one cell of "
            f"{cell_mm:g} mm: not one whole cell fits",
            fix="check the height in the camera profile, or start a workspace of smaller cells",
        )
    if grid.rows * grid.cols > _MOST_CELLS:
        raise CameraError(
            f"would cover {grid.rows * grid.cols} cells, too many, at {view.gsd_mm_per_px:g} mm/px",
            fix="check the height and the scale in the camera profile",
        )
    return grid, footprint


def _reach(view: View, widest_deg: float) -> Footprint:
    """Return the rectangle of ground about all that the photo shows, not too far out."""
    ground = pixels_to_ground(view, border_pixels(view))
    if not is_plain(view):
        # Where the border sees sky, the photo reaches as far as is allowed; the widest
        # such circle is small beside what a horizon would give.
        distance_mm = view.distance_mm or math.inf
        widest_mm = distance_mm * math.tan(math.radians(widest_deg))
        if np.isnan(ground).any():
            angles = np.linspace(0, 2 * math.pi, 65)
            circle = np.stack([np.cos(angles), np.sin(angles)], axis=-1) * widest_mm
            ground = np.concatenate([ground[~np.isnan(ground).any(axis=-1)], circle])
        radius = np.hypot(ground[:, 0], ground[:, 1])
        ground = ground * np.minimum(1.0, widest_mm / np.maximum(radius, 1e-9))[:, None]
    low, high = ground.min(axis=0), ground.max(axis=0)
    return Footprint(float(low[0]), float(low[1]), float(high[0]), float(high[1]))


def lattice_mm(grid: GroundGrid, steps: int = 1) -> Floats:
    """Return the corners of all cells, each cut into steps x steps, (rows*steps+1, ..., 2)."""
    x = grid.x_min_mm + np.arange(grid.cols * steps + 1) * (grid.cell_mm / steps)
    y = grid.y_min_mm + np.arange(grid.rows * steps + 1) * (grid.cell_mm / steps)
    return np.stack(np.meshgrid(x, y), axis=-1)


def centres_mm(grid: GroundGrid) -> Floats:
    """Return the middles of all cells, (rows, cols, 2)."""
    return lattice_mm(grid)[:-1, :-1] + grid.cell_mm / 2


def slopes_px_per_mm(view: View, points_mm: Floats) -> Floats:
    """Return how pixels change with ground, (..., 2, 2): first axis pixel, second ground."""
    step = 0.25
    columns = []
    for shift in ((step, 0.0), (0.0, step)):
        ahead = ground_to_pixels(view, points_mm + np.array(shift))
        columns.append((ahead - ground_to_pixels(view, points_mm - np.array(shift))) / (2 * step))
    return np.stack(columns, axis=-1)


def worst_gsd_mm_per_px(view: View, points_mm: Floats) -> Floats:
    """Return the ground that a pixel spans where it spans most, at each point (..., 2).

    That is 1 / the smaller singular value of the slopes; infinite where nothing is seen.
    """
    slopes = slopes_px_per_mm(view, points_mm)
    xx, xy, yx, yy = (slopes[..., i, j] for i in (0, 1) for j in (0, 1))
    total = xx * xx + xy * xy + yx * yx + yy * yy
    # Of a 2 x 2 matrix, the singular values' squares add up to `total`, differ by `spread`,
    # and their product is the area that a square of ground takes in the photo.
    area = np.abs(xx * yy - xy * yx)
    spread = np.hypot(xx + yy, xy - yx) * np.hypot(xx - yy, xy + yx)
    with np.errstate(divide="ignore", invalid="ignore"):
        gsd = np.sqrt((total + spread) / 2) / area
    return np.asarray(np.where(np.isfinite(gsd), gsd, np.inf))


def _worst_gsd(view: View, grid: GroundGrid) -> Floats:
    corners = worst_gsd_mm_per_px(view, lattice_mm(grid))
    middles = worst_gsd_mm_per_px(view, centres_mm(grid))
    around = [corners[:-1, :-1], corners[:-1, 1:], corners[1:, :-1], corners[1:, 1:], middles]
    # Of a padded cell that is not seen all over: the worst of what there is.
    worst = np.maximum.reduce([np.where(np.isfinite(gsd), gsd, 0.0) for gsd in around])
    return np.where(worst > 0, worst, np.inf)


def _oblique_deg(view: View, grid: GroundGrid) -> Floats:
    if view.distance_mm is None:
        return np.full((grid.rows, grid.cols), np.nan)
    centres = centres_mm(grid)
    radius = np.hypot(centres[..., 0], centres[..., 1])
    return np.asarray(np.degrees(np.arctan(radius / view.distance_mm)))


def _inside_share(view: View, grid: GroundGrid) -> Floats:
    """Return the share of each cell that lies in the photo, by points all over it."""
    pixels = ground_to_pixels(view, lattice_mm(grid, _STEPS))
    with np.errstate(invalid="ignore"):
        inside = np.all(pixels >= -0.5 - _SLACK_PX, axis=-1)
        inside &= pixels[..., 0] <= view.width_px - 0.5 + _SLACK_PX
        inside &= pixels[..., 1] <= view.height_px - 0.5 + _SLACK_PX
    count = np.zeros((grid.rows, grid.cols))
    for row in range(_STEPS + 1):
        for col in range(_STEPS + 1):
            last = np.s_[
                row : row + grid.rows * _STEPS : _STEPS, col : col + grid.cols * _STEPS : _STEPS
            ]
            count += inside[last]
    return np.asarray(count / (_STEPS + 1) ** 2)


def _nothing_left(view: View, cell_mm: float, reasons: tuple[tuple[str, int], ...]) -> PhotoError:
    words = ", ".join(f"{count} {reason}" for reason, count in reasons)
    return PhotoError(
        f"shows not one cell of {cell_mm:g} mm well enough: {words or 'none lies in it'} "
        f"(camera tilted by {tilt_deg(view):.0f} degrees, {view.gsd_mm_per_px:.3g} mm/px)",
        fix="hang the camera lower or less tilted, use smaller cells, or allow coarser ones",
    )
