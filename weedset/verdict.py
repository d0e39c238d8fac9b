"""What a calibration is worth, in plain words, and the profile that comes of it."""

from __future__ import annotations

from weedset.calibrate import Fit
from weedset.errors import CheckNotPassedError
from weedset.records import CalibratedLens, Calibration, CameraProfile, Pose

#: Root mean square reprojection errors: below the first all is well, above the second the
#: calibration is of no use. Common practice, no source.
GOOD_PX, USABLE_PX = 0.5, 1.5

_LEAST_COVERED = 0.5
_LEAST_TURN_DEG = 30.0
_OUTLIER = 2.5


def verdict(fit: Fit) -> tuple[str, list[str]]:
    """Return "good", "usable" or "poor", and what could be better, in words."""
    hints = []
    if fit.error_px > GOOD_PX:
        hints.append(
            f"corners are off by {fit.error_px:.2f} px: keep the sheet flatter and the photos "
            "sharper, or try --fisheye for a lens wider than about 110 degrees"
        )
    if fit.covered < _LEAST_COVERED:
        hints.append(
            f"the board was seen in {fit.covered:.0%} of the picture only: move it into the "
            "corners too, where lenses bend most"
        )
    if fit.angle_deg < _LEAST_TURN_DEG:
        hints.append(f"the board was turned by {fit.angle_deg:.0f} degrees: tilt it by 30 or more")
    middle = sorted(error for _, error in fit.errors_px)[len(fit.errors_px) // 2]
    hints += [
        f"{name} fits worse than the rest ({error:.2f} px): leave it out, or take it again"
        for name, error in fit.errors_px
        if error > max(_OUTLIER * middle, GOOD_PX)
    ]
    share = fit.lens.focal_uncertainty_px / fit.lens.focal_px
    if share > 0.01:
        hints.append(f"the focal length is known to {share:.1%} only: take more photos")
    if fit.error_px > USABLE_PX or share > 0.05:
        return "poor", hints
    return ("good" if not hints else "usable"), hints


def profile_of_fit(
    fit: Fit, name: str, on: str, height: tuple[float, float | None] | None
) -> CameraProfile:
    """Return the profile of a calibration made on a date.

    `height` is the height above the soil with its uncertainty, for a calibration without
    photos of the board on the ground: then the camera is taken to look straight down.

    Raises CheckNotPassedError where the calibration is of no use, or says no height.
    """
    worth, hints = verdict(fit)
    if worth == "poor":
        fix = "; ".join(hints)
        raise CheckNotPassedError("the calibration is of no use", where="calibration", fix=fix)
    pose = Pose()
    if fit.pose is not None:
        height = (fit.pose.height_mm, fit.pose.height_uncertainty_mm)
        pose = Pose(
            round(fit.pose.pitch_deg, 4),
            round(fit.pose.roll_deg, 4),
            round(fit.pose.tilt_uncertainty_deg, 4),
        )
    if height is None:
        raise CheckNotPassedError(
            "no photo shows the board on the ground, so the height is not known",
            where="calibration",
            fix="add one with --ground, or measure the height and give --height-mm",
        )
    lens = fit.lens
    return CameraProfile(
        name=name,
        height_mm=round(height[0], 3),
        height_uncertainty_mm=None if height[1] is None else round(height[1], 3),
        lens=CalibratedLens(
            focal_px=round(lens.focal_px, 4),
            centre_x_px=round(lens.centre_x_px, 4),
            centre_y_px=round(lens.centre_y_px, 4),
            focal_uncertainty_px=round(lens.focal_uncertainty_px, 4),
            centre_uncertainty_px=round(lens.centre_uncertainty_px, 4),
        ),
        declared_gsd_mm_per_px=None,
        declared_uncertainty_mm_per_px=None,
        width_px=lens.width_px,
        height_px=lens.height_px,
        pose=pose,
        distortion=lens.distortion,
        calibration=Calibration(on, len(fit.errors_px), round(fit.error_px, 4)),
    )
