"""From a camera profile and what a photo's EXIF says to a ground scale with its source."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Literal, cast

from weedset.errors import CameraError
from weedset.fields import Fields, read_toml
from weedset.geometry import focal_length_px, ground_sample_distance_mm
from weedset.records import (
    CameraProfile,
    Equivalent35mm,
    ExifFacts,
    FieldOfView,
    FocalLength,
    Lens,
    Scale,
    ScaleSource,
)

#: A photo whose sides differ in proportion from the profile's by more than this was
#: cropped or taken in another mode: the focal length in pixels does not carry over.
_ASPECT_TOLERANCE = 0.01

_HOW_TO_KNOW_THE_SCALE = (
    "give the profile a height_mm and a lens: field_of_view_deg, or focal_length_mm and "
    "pixel_pitch_um, or focal_length_35mm_mm; or a [scale] gsd_mm_per_px that you measured"
)


def read_camera_profile(path: Path) -> CameraProfile:
    """Read a camera profile from a TOML file.

    Raises CameraError, naming file and field, for what is missing, absurd or misspelt.
    """
    fields = read_toml(path, CameraError)
    fields.knows("height_mm", "height_uncertainty_mm", "lens", "scale", "image")
    name = fields.text("name")
    height_mm = fields.number("height_mm", above=0, most=100_000) if "height_mm" in fields else None
    uncertainty_mm = (
        fields.number("height_uncertainty_mm", least=0, most=10_000)
        if "height_uncertainty_mm" in fields
        else None
    )
    lens = _read_lens(fields.table("lens")) if "lens" in fields else None
    gsd, gsd_uncertainty = _read_scale(fields)
    width_px, height_px = _read_image(fields)
    fields.done()
    if gsd is not None and lens is not None:
        raise fields.complaint("scale", "declares a scale beside a lens", "keep one of the two")
    if gsd is None and height_mm is None:
        raise fields.complaint("height_mm", "is missing", _HOW_TO_KNOW_THE_SCALE)
    return CameraProfile(
        name=name,
        height_mm=height_mm,
        height_uncertainty_mm=uncertainty_mm,
        lens=lens,
        declared_gsd_mm_per_px=gsd,
        declared_uncertainty_mm_per_px=gsd_uncertainty,
        width_px=width_px,
        height_px=height_px,
    )


def _read_lens(fields: Fields) -> Lens:
    kinds = {
        "field_of_view_deg": ("field_of_view_across",),
        "focal_length_35mm_mm": (),
        "focal_length_mm": ("pixel_pitch_um",),
    }
    given = [kind for kind in kinds if kind in fields]
    if not given and "pixel_pitch_um" in fields:
        given = ["focal_length_mm"]
    if len(given) != 1:
        what = "says the same thing twice" if given else "says nothing of the lens"
        raise CameraError(
            f"{what}: give one of {', '.join(kinds)}", where=fields.complaint("lens", "").where
        )
    lens: Lens
    match given[0]:
        case "field_of_view_deg":
            angle = fields.number("field_of_view_deg", least=1, below=170)
            across = fields.choice("field_of_view_across", ("width", "height", "diagonal"))
            lens = FieldOfView(angle, cast(Literal["width", "height", "diagonal"], across))
        case "focal_length_35mm_mm":
            lens = Equivalent35mm(fields.number("focal_length_35mm_mm", least=4, most=2000))
        case _:
            fields.knows("focal_length_mm", "pixel_pitch_um")
            lens = FocalLength(
                fields.number("focal_length_mm", least=0.3, most=2000)
                if "focal_length_mm" in fields
                else None,
                fields.number("pixel_pitch_um", least=0.3, most=50)
                if "pixel_pitch_um" in fields
                else None,
            )
    fields.done()
    return lens


def _read_scale(fields: Fields) -> tuple[float | None, float | None]:
    if "scale" not in fields:
        return None, None
    scale = fields.table("scale")
    gsd = scale.number("gsd_mm_per_px", above=0, most=20)
    uncertainty = (
        scale.number("uncertainty_mm_per_px", least=0, most=gsd)
        if "uncertainty_mm_per_px" in scale
        else None
    )
    scale.knows("uncertainty_mm_per_px")
    scale.done()
    return gsd, uncertainty


def _read_image(fields: Fields) -> tuple[int | None, int | None]:
    if "image" not in fields:
        return None, None
    image = fields.table("image")
    size = (
        image.whole("width_px", least=16, most=100_000),
        image.whole("height_px", least=16, most=100_000),
    )
    image.done()
    return size


def photo_scale(
    profile: CameraProfile, exif: ExifFacts, width_px: int, height_px: int, where: str
) -> Scale:
    """Return the ground scale of a photo, EXIF filling what the profile lacks.

    `width_px` x `height_px` is the upright size; `where` names the photo in errors.

    Raises CameraError where the scale cannot be known: it is never guessed.
    """
    shrink = _shrink(profile, width_px, height_px, where)
    if profile.declared_gsd_mm_per_px is not None:
        uncertainty = profile.declared_uncertainty_mm_per_px
        return Scale(
            profile.declared_gsd_mm_per_px * shrink,
            ScaleSource.DECLARED,
            from_exif=False,
            uncertainty_mm_per_px=None if uncertainty is None else uncertainty * shrink,
        )
    if profile.height_mm is None:
        raise CameraError("has no height_mm", where=profile.name, fix=_HOW_TO_KNOW_THE_SCALE)
    lens, from_exif = _lens_of(profile, exif, where)
    # A field of view or a pitch speaks of the profile's picture where it states one;
    # otherwise of the photo as the sensor delivered it, long side as it lies there.
    if profile.width_px is not None and profile.height_px is not None and not from_exif:
        size_px = (profile.width_px, profile.height_px)
    else:
        size_px, shrink = _unturned(width_px, height_px, exif.orientation), 1.0
    gsd = ground_sample_distance_mm(profile.height_mm, focal_length_px(lens, *size_px)) * shrink
    uncertainty = profile.height_uncertainty_mm
    return Scale(
        gsd,
        _SOURCES[type(lens)],
        from_exif=from_exif,
        uncertainty_mm_per_px=None
        if uncertainty is None
        else gsd * uncertainty / profile.height_mm,
    )


_SOURCES = {
    FieldOfView: ScaleSource.FIELD_OF_VIEW,
    FocalLength: ScaleSource.FOCAL_LENGTH,
    Equivalent35mm: ScaleSource.EQUIVALENT_35MM,
}


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
    if isinstance(lens, FieldOfView | Equivalent35mm):
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
            fix=_HOW_TO_KNOW_THE_SCALE,
        )
    return filled, True
