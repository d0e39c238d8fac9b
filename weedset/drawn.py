"""The mark on pictures that weedset draws, by which they are never taken for photos."""

from __future__ import annotations

from pathlib import Path

from PIL import ExifTags, Image

#: In EXIF's field ImageDescription, so that other programs show it too.
_MARK = "Drawn by weedset, no photo"

#: EXIF stands before the picture itself, and weedset writes nothing long before it.
_HEAD_BYTES = 1024


def drawn_exif() -> Image.Exif:
    """Return the EXIF that each picture drawn for people to look at is saved with."""
    exif = Image.Exif()
    exif[ExifTags.Base.ImageDescription] = _MARK
    return exif


def is_drawn(path: Path) -> bool:
    """Whether a file is a picture that weedset drew; one that cannot be read is none."""
    try:
        with path.open("rb") as file:
            return _MARK.encode() in file.read(_HEAD_BYTES)
    except OSError:
        return False
