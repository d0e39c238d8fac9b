"""From a camera profile and what a photo's EXIF says to a ground scale, and to a view."""

from __future__ import annotations

import math
from dataclasses import replace

from weedset.errors import CameraError
from weedset.geometry import focal_length_px, ground_sample_distance_mm
from weedset.profile import HOW_TO_KNOW_THE_SCALE
from weedset.records import (
    CalibratedLens,
    CameraProfile,
    Equivalent35mm,
    ExifFacts,
    FieldOfView,
    FocalLength,
    Lens,
    Scale,
    ScaleSource,
    View,
)
from weedset.view import check_view

#: A photo whose sides differ in proportion from the profile's by more than this was
#: cropped or taken in another mode: the focal length in pixels does not carry over.
_ASPECT_TOLERANCE = 0.01


def photo_scale(
    profile: CameraProfile, exif: ExifFacts, width_px: int, height_px: int, where: str
) -> Scale:
    """Return the scale of a photo on the plane of its grid, EXIF filling what the profile lacks.

    `width_px` x `height_px` is the upright size; `where` names the photo in errors.

    Raises CameraError where the scale cannot be known: it is never guessed.
    """
    shrink = _shrink(profile, width_px, height_px, where)
    nearer = _nearer(profile)
    if profile.declared_gsd_mm_per_px is not None:
        uncertainty = profile.declared_uncertainty_mm_per_px
        return Scale(
            profile.declared_gsd_mm_per_px * shrink * nearer,
            ScaleSource.KNOWN_OBJECT if profile.known_object else ScaleSource.DECLARED,
            from_exif=False,
            uncertainty_mm_per_px=None if uncertainty is None else uncertainty * shrink * nearer,
        )
    if profile.height_mm is None:
        raise CameraError("has no height_mm", where=profile.name, fix=HOW_TO_KNOW_THE_SCALE)
    lens, from_exif = _lens_of(profile, exif, where)
    # A field of view or a pitch that the profile states speaks of its own picture, where it has
    # one; what EXIF states, of the photo as the sensor delivered it, long side as it lies there.
    own = not from_exif or _states_pitch(profile)
    if profile.width_px is not None and profile.height_px is not None and own:
        size_px = (profile.width_px, profile.height_px)
    else:
        size_px, shrink = _unturned(width_px, height_px, exif.orientation), 1.0
    focal_px = focal_length_px(lens, *size_px, profile.distortion)
    gsd = ground_sample_distance_mm(profile.height_mm * nearer, focal_px) * shrink
    share = _uncertain_share(profile, lens)
    return Scale(
        gsd,
        _SOURCES[type(lens)],
        from_exif=from_exif,
        uncertainty_mm_per_px=None if share is None else gsd * share,
    )


_SOURCES = {
    FieldOfView: ScaleSource.FIELD_OF_VIEW,
    FocalLength: ScaleSource.FOCAL_LENGTH,
    Equivalent35mm: ScaleSource.EQUIVALENT_35MM,
    CalibratedLens: ScaleSource.CALIBRATION,
}


def photo_view(
    profile: CameraProfile, exif: ExifFacts, width_px: int, height_px: int, where: str
) -> View:
    """Return how a photo sees the plane of its grid; arguments as for `photo_scale`.

    Raises CameraError where the scale cannot be known, where the photo shows more than
    ground, and where it was turned by another program although the profile's tilt or lens
    depends on how it lies.
    """
    scale = photo_scale(profile, exif, width_px, height_px, where)
    stored = _unturned(width_px, height_px, exif.orientation)
    centre_x_px, centre_y_px = (stored[0] - 1) / 2, (stored[1] - 1) / 2
    if _knows_its_top(profile) and profile.width_px is not None and profile.height_px is not None:
        if (stored[0] > stored[1]) != (profile.width_px > profile.height_px):
            raise CameraError(
                f"lies {stored[0]} x {stored[1]} px in its file, but the camera profile "
                f"{profile.name!r} is for {profile.width_px} x {profile.height_px} px: another "
                "program has turned it, so its top is not the camera's top",
                where=where,
                fix="use the photos as the camera wrote them",
            )
        if isinstance(profile.lens, CalibratedLens):
            smaller = stored[0] / profile.width_px
            centre_x_px = (profile.lens.centre_x_px + 0.5) * smaller - 0.5
            centre_y_px = (profile.lens.centre_y_px + 0.5) * smaller - 0.5
    view = View(
        width_px=width_px,
        height_px=height_px,
        orientation=exif.orientation,
        gsd_mm_per_px=scale.gsd_mm_per_px,
        distance_mm=None if profile.height_mm is None else profile.height_mm * _nearer(profile),
        centre_x_px=centre_x_px,
        centre_y_px=centre_y_px,
        pitch_deg=profile.pose.pitch_deg,
        roll_deg=profile.pose.roll_deg,
        distortion=profile.distortion,
    )
    check_view(view, where)
    return view


def exif_focal_share(view: View, exif: ExifFacts) -> float | None:
    """Return the focal length by a photo's EXIF as a share of the one that its view takes.

    Far from 1 where another camera took the photo, or the same one in another mode. None where
    EXIF states no 35 mm equivalent, the view no distance, or a fisheye has no such thing.
    """
    fisheye = view.distortion is not None and view.distortion.model == "fisheye"
    if exif.focal_length_35mm_mm is None or view.distance_mm is None or fisheye:
        return None
    told = Equivalent35mm(exif.focal_length_35mm_mm)
    told_px = focal_length_px(told, view.width_px, view.height_px, None)
    return told_px / (view.distance_mm / view.gsd_mm_per_px)


def _knows_its_top(profile: CameraProfile) -> bool:
    tilted = profile.pose.pitch_deg != 0 or profile.pose.roll_deg != 0
    return tilted or isinstance(profile.lens, CalibratedLens)


def _nearer(profile: CameraProfile) -> float:
    """Return the distance to the plane of the grid as a share of the distance to the soil."""
    if profile.height_mm is None:
        return 1.0
    if profile.plants.height_mm >= profile.height_mm:
        raise CameraError(
            f"its plants stand {profile.plants.height_mm:g} mm high, above the lens at "
            f"{profile.height_mm:g} mm",
            where=profile.name,
            fix="check both heights in the camera profile",
        )
    return 1 - profile.plants.height_mm / profile.height_mm


def _states_pitch(profile: CameraProfile) -> bool:
    return isinstance(profile.lens, FocalLength) and profile.lens.pixel_pitch_um is not None


def _uncertain_share(profile: CameraProfile, lens: Lens) -> float | None:
    """Return the uncertainty of the scale as a share of it; None where no height states one."""
    if profile.height_mm is None or profile.height_uncertainty_mm is None:
        return None
    distance_mm = profile.height_mm * _nearer(profile)
    of_focal = 0.0
    if isinstance(lens, CalibratedLens) and lens.focal_uncertainty_px is not None:
        of_focal = lens.focal_uncertainty_px / lens.focal_px
    return math.hypot(profile.height_uncertainty_mm / distance_mm, of_focal)


def _shrink(profile: CameraProfile, width_px: int, height_px: int, where: str) -> float:
    """Return how many profile pixels one photo pixel spans (1 where no size is stated)."""
    if profile.width_px is None or profile.height_px is None:
        return 1.0
    long_px, short_px = max(width_px, height_px), min(width_px, height_px)
    profile_long = max(profile.width_px, profile.height_px)
    profile_short = min(profile.width_px, profile.height_px)
    if abs(long_px / short_px / (profile_long / profile_short) - 1) > _ASPECT_TOLERANCE:
        raise CameraError(
            f"is {width_px} x {height_px} px, but the camera profile {profile.name!r} is for "
            f"{profile.width_px} x {profile.height_px} px: other proportions, so a crop or "
            "another camera mode",
            where=where,
            fix="use the profile of that mode, or photos straight from the camera",
        )
    return profile_long / long_px


def _unturned(width_px: int, height_px: int, orientation: int) -> tuple[int, int]:
    # EXIF orientations 5 to 8 swap the sides.
    return (height_px, width_px) if orientation >= 5 else (width_px, height_px)


def _lens_of(profile: CameraProfile, exif: ExifFacts, where: str) -> tuple[Lens, bool]:
    """Return the lens, and whether EXIF had to help."""
    lens = profile.lens
    if isinstance(lens, FieldOfView | Equivalent35mm | CalibratedLens):
        return lens, False
    if isinstance(lens, FocalLength):
        if lens.focal_length_mm is not None and lens.pixel_pitch_um is not None:
            return lens, False
        filled = replace(
            lens,
            focal_length_mm=lens.focal_length_mm or exif.focal_length_mm,
            pixel_pitch_um=lens.pixel_pitch_um or exif.pixel_pitch_um,
        )
    else:
        filled = FocalLength(exif.focal_length_mm, exif.pixel_pitch_um)
    if exif.digital_zoom is not None and exif.digital_zoom not in (0, 1):
        raise CameraError(
            f"was taken with a digital zoom of {exif.digital_zoom:g}, so its EXIF does not tell "
            "the scale",
            where=where,
            fix="take it without zoom, or declare the scale in the profile",
        )
    if lens is None and exif.focal_length_35mm_mm:
        return Equivalent35mm(exif.focal_length_35mm_mm), True
    if filled.focal_length_mm is None or filled.pixel_pitch_um is None:
        lacks = "focal length" if filled.focal_length_mm is None else "pixel pitch"
        raise CameraError(
            f"its scale cannot be known: neither the camera profile {profile.name!r} nor the "
            f"photo's EXIF tells the {lacks}",
            where=where,
            fix=HOW_TO_KNOW_THE_SCALE,
        )
    return filled, True
