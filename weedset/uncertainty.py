"""How far off a cell may lie, and how much larger or smaller its plants may look."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np

from weedset.cells import CellsInView, centres_mm, slopes_px_per_mm
from weedset.lens import Floats
from weedset.records import CalibratedLens, CameraProfile, Scale, View
from weedset.view import ground_to_pixels

#: One sigma of the tilt of a camera that was hung by hand and spirit level, where the
#: profile does not say. Common practice, no source.
TILT_UNCERTAINTY_DEG = 1.0


def relief_displacement_mm(radius_mm: float, height_mm: float, lens_height_mm: float) -> float:
    """Return how far outward the top of something standing on the ground appears.

    d = r * h / (H - h), at `radius_mm` from the point straight below the lens: similar
    triangles, as in any text on aerial photographs.
    """
    return radius_mm * height_mm / (lens_height_mm - height_mm)


def relief_scale_error(profile: CameraProfile) -> float | None:
    """Return by what share a plant may look larger or smaller than on the plane of the grid.

    A plant at height h is (H - plane) / (H - h) times as large in the photo: more than 1 by
    the relief displacement per radius. None where the height of the camera is not known.
    """
    if profile.height_mm is None:
        return None
    plane_mm, plants = profile.plants.height_mm, profile.plants
    lens_mm = profile.height_mm - plane_mm
    return max(
        relief_displacement_mm(1, plants.most_mm - plane_mm, lens_mm),
        -relief_displacement_mm(1, plants.least_mm - plane_mm, lens_mm),
    )


@lru_cache(maxsize=8)
def position_uncertainty_mm(cells: CellsInView, profile: CameraProfile, scale: Scale) -> Floats:
    """Return for each cell how far off its middle may lie (one sigma), (rows, cols).

    What the profile states as uncertain is moved by one sigma, one after the other, and
    what that does to the position of the same pixel is added in squares. A plant that is
    anywhere in the range of plant heights with equal chance adds its own. NaN where the
    profile does not state how sure its height, or its scale, is, or no height: then nobody
    knows how far a tilt moves what is seen.
    """
    view, centres = cells.view, centres_mm(cells.grid)
    radius_mm = np.hypot(centres[..., 0], centres[..., 1])
    if view.distance_mm is None:
        return np.full(radius_mm.shape, np.nan)
    if profile.declared_gsd_mm_per_px is not None:
        if scale.uncertainty_mm_per_px is None:
            return np.full(radius_mm.shape, np.nan)
        squares = (radius_mm * scale.uncertainty_mm_per_px / scale.gsd_mm_per_px) ** 2
    elif profile.height_uncertainty_mm is None:
        return np.full(radius_mm.shape, np.nan)
    else:
        squares = (radius_mm * profile.height_uncertainty_mm / view.distance_mm) ** 2
    seen = ground_to_pixels(view, centres)
    slopes = slopes_px_per_mm(view, centres)
    xx, xy, yx, yy = (slopes[..., i, j] for i in (0, 1) for j in (0, 1))
    area = xx * yy - xy * yx
    for other in _moved(view, profile):
        shift = ground_to_pixels(other, centres) - seen
        x_mm = (yy * shift[..., 0] - xy * shift[..., 1]) / area
        y_mm = (xx * shift[..., 1] - yx * shift[..., 0]) / area
        squares = squares + x_mm**2 + y_mm**2
    plants = profile.plants
    middle_mm = (plants.least_mm + plants.most_mm) / 2
    # Of a uniform distribution, about the plane instead of about its own middle.
    of_height = (plants.most_mm - plants.least_mm) ** 2 / 12 + (middle_mm - plants.height_mm) ** 2
    squares = squares + (radius_mm / view.distance_mm) ** 2 * of_height
    return np.asarray(np.sqrt(squares))


def _moved(view: View, profile: CameraProfile) -> list[View]:
    """Return the view with tilt, focal length and centre each moved by one sigma."""
    tilt_deg = profile.pose.uncertainty_deg
    tilt_deg = TILT_UNCERTAINTY_DEG if tilt_deg is None else tilt_deg
    views = [
        replace(view, pitch_deg=view.pitch_deg + tilt_deg),
        replace(view, roll_deg=view.roll_deg + tilt_deg),
    ]
    lens = profile.lens
    if not isinstance(lens, CalibratedLens):
        return views
    if lens.focal_uncertainty_px:
        longer = 1 + lens.focal_uncertainty_px / lens.focal_px
        views.append(replace(view, gsd_mm_per_px=view.gsd_mm_per_px / longer))
    if lens.centre_uncertainty_px:
        sigma = lens.centre_uncertainty_px
        views.append(replace(view, centre_x_px=view.centre_x_px + sigma))
        views.append(replace(view, centre_y_px=view.centre_y_px + sigma))
    return views
