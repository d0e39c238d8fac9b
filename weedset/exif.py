"""What a photo's EXIF says that bears on scale and date, whoever wrote it."""

from __future__ import annotations

import struct
from collections.abc import Mapping
from datetime import datetime

from PIL import ExifTags, Image

from weedset.records import ExifFacts

_MM_PER_RESOLUTION_UNIT = {2: 25.4, 3: 10.0}  # EXIF 2.32: 2 = inch, 3 = centimetre


def exif_facts(image: Image.Image) -> ExifFacts:
    """Return the facts; what is damaged is as if it were not there."""
    try:
        exif = image.getexif()
        detail = exif.get_ifd(ExifTags.IFD.Exif)
    except (KeyError, ValueError, TypeError, SyntaxError, OSError, struct.error):
        return ExifFacts()
    orientation = exif.get(ExifTags.Base.Orientation, 1)
    plane = _number(detail, ExifTags.Base.FocalPlaneXResolution)
    unit = detail.get(ExifTags.Base.FocalPlaneResolutionUnit, 2)
    pitch_um = None
    if plane and unit in _MM_PER_RESOLUTION_UNIT:
        pitch_um = _MM_PER_RESOLUTION_UNIT[unit] / plane * 1000
    return ExifFacts(
        orientation=orientation if orientation in range(1, 9) else 1,
        taken_at=_moment(
            detail.get(ExifTags.Base.DateTimeOriginal) or exif.get(ExifTags.Base.DateTime)
        ),
        focal_length_mm=_number(detail, ExifTags.Base.FocalLength),
        focal_length_35mm_mm=_number(detail, ExifTags.Base.FocalLengthIn35mmFilm),
        pixel_pitch_um=pitch_um,
        digital_zoom=_number(detail, ExifTags.Base.DigitalZoomRatio),
    )


def _number(tags: Mapping[int, object], tag: int) -> float | None:
    """Return a positive number; cameras write 0, or 0/0, for "unknown"."""
    try:
        value = float(tags.get(tag, 0))  # type: ignore[arg-type]  # whatever a stranger wrote
    except (TypeError, ValueError, ZeroDivisionError):
        return None
    return value if 0 < value < float("inf") else None


def _moment(text: object) -> str | None:
    """Return an EXIF moment as ISO 8601 without a zone: cameras keep local time."""
    try:
        return datetime.strptime(str(text), "%Y:%m:%d %H:%M:%S").isoformat()
    except ValueError:
        return None
