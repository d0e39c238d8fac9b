"""What a photo's EXIF tells of its scale, line by line, and what it cannot tell."""

from __future__ import annotations

import math
import shlex
from dataclasses import dataclass

from weedset.geometry import FRAME_DIAGONAL_MM
from weedset.images import OpenedPhoto

_TURNS = {
    1: "lies as the camera stored it",
    2: "mirrored left to right",
    3: "turned by half a turn",
    4: "mirrored top to bottom",
    5: "mirrored and turned to the left",
    6: "turned to the right by a quarter",
    7: "mirrored and turned to the right",
    8: "turned to the left by a quarter",
}


@dataclass(frozen=True, slots=True)
class ExifLine:
    """One fact: its name, what the photo says, and what follows or does not follow."""

    name: str
    says: str | None
    gives: str


def exif_lines(opened: OpenedPhoto) -> list[ExifLine]:
    """Return what each source in the EXIF of an upright photo can and cannot give."""
    exif = opened.exif
    diagonal_px = math.hypot(opened.width_px, opened.height_px)
    focal_35 = exif.focal_length_35mm_mm
    zoomed = exif.digital_zoom is not None and exif.digital_zoom > 1
    by_35mm = "the angle of view; 0 or absent means unknown"
    if focal_35:
        focal_px = focal_35 * diagonal_px / FRAME_DIAGONAL_MM
        # Whole mm: half a mm either way.
        by_35mm = (
            f"a focal length of {focal_px:.0f} px, to {0.5 / focal_35:.1%} as it is rounded to "
            "whole mm; wrong for cropped and video modes"
        )
    by_pitch = "with the pixel pitch, the focal length in px; alone, nothing"
    if exif.focal_length_mm and exif.pixel_pitch_um:
        focal_px = exif.focal_length_mm * 1000 / exif.pixel_pitch_um
        by_pitch = f"with the pixel pitch, a focal length of {focal_px:.0f} px"
    return [
        ExifLine("size", f"{opened.width_px} x {opened.height_px} px upright", "the aspect"),
        ExifLine(
            "orientation",
            _TURNS[exif.orientation],
            "which way is up; of a camera that looks straight down it is often by chance",
        ),
        ExifLine("35 mm equivalent", _mm(focal_35), by_35mm),
        ExifLine("focal length", _mm(exif.focal_length_mm), by_pitch),
        ExifLine(
            "pixel pitch",
            None if exif.pixel_pitch_um is None else f"{exif.pixel_pitch_um:.3f} um",
            "from the focal plane resolution, which phones leave out; it is that of the full "
            "picture, not of a reduced one",
        ),
        ExifLine(
            "digital zoom",
            None if exif.digital_zoom is None else f"{exif.digital_zoom:g}",
            "no scale: other facts may or may not include it, so such photos are refused"
            if zoomed
            else "no zoom was used, if it says 1; absent it may have been",
        ),
        ExifLine("height above ground", None, "never in EXIF: measure it, or use an object"),
        ExifLine("tilt", None, "never in EXIF: calibrate, or hold the camera level"),
        ExifLine("distortion", None, "never in EXIF: calibrate"),
    ]


def conclusion(opened: OpenedPhoto, photo: str) -> tuple[str, str]:
    """Say what all of it comes to, and which command comes next, for the photo named `photo`."""
    exif = opened.exif
    by_object = (
        "lay something of known length on the ground, and point at its two ends in the photo"
    )
    command = (
        f"weedset camera from-object {shlex.quote(photo)} --from X,Y --to X,Y --length-mm MM "
        "--out camera.toml"
    )
    alone = "This photo alone gives no scale."
    if exif.digital_zoom is not None and exif.digital_zoom not in (0, 1):
        said = "This photo was zoomed, so its EXIF is no help. Take it without zoom, or"
    elif exif.focal_length_35mm_mm or (exif.focal_length_mm and exif.pixel_pitch_um):
        said = (
            f"{alone} Measure the height of the lens, write it into a profile as height_mm, and "
            "the EXIF gives the lens; or"
        )
    else:
        lacks = "the pixel pitch" if exif.focal_length_mm else "a lens"
        said = f"{alone} Its EXIF lacks {lacks}, so a height alone will not do:"
    return f"{said} {by_object}", command


def _mm(value: float | None) -> str | None:
    return None if value is None else f"{value:g} mm"
