"""The only opener of photos: bounded, upright, and honest about what it could not read."""

from __future__ import annotations

import io
import logging
import warnings
from collections.abc import Callable, Container, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image, UnidentifiedImageError

from weedset.digests import bytes_digest
from weedset.errors import LabelError, PhotoError, WeedsetError, why_unreadable
from weedset.exif import exif_facts
from weedset.fields import require_file
from weedset.records import ExifFacts

#: From a photo's upright full size and EXIF to the share of each side that is needed.
LeastShare = Callable[[int, int, ExifFacts], float]

# What Pillow logs of a damaged file would reach the terminal as it is; our errors say it.
logging.getLogger("PIL").addHandler(logging.NullHandler())

_FORMATS = ("JPEG", "PNG", "TIFF", "WEBP")
_MAX_PIXELS = 250_000_000
_SMALL_PIXELS = 1_048_576
_MAX_BYTES = 500_000_000
#: What to do with a stored picture to see it upright (EXIF 2.32, tag 0x0112).
_TURNS = {
    2: Image.Transpose.FLIP_LEFT_RIGHT,
    3: Image.Transpose.ROTATE_180,
    4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE,
    6: Image.Transpose.ROTATE_270,
    7: Image.Transpose.TRANSVERSE,
    8: Image.Transpose.ROTATE_90,
}


@dataclass(frozen=True, slots=True)
class OpenedPhoto:
    """A decoded photo, upright, RGB.

    `width_px` x `height_px` is the full upright size; `image` may be smaller where a
    reduced decoding was asked for.
    """

    image: Image.Image
    width_px: int
    height_px: int
    exif: ExifFacts
    digest: str


def open_photo(path: Path, *, least_share: float | LeastShare = 1.0) -> OpenedPhoto:
    """Read, decode and turn a photo.

    `least_share` below 1 lets a JPEG be decoded at a half, a quarter or an eighth of its
    size (much quicker), as long as no less than that share of each side is left and the
    sides divide evenly, so that every pixel still covers equal ground. A function is asked
    for the share once size and EXIF are known, before any decoding.

    Raises PhotoError for what is no photo, truncated, or too large to be one.
    """
    return decode_photo(_read_bytes(path), str(path), least_share=least_share)


def open_photo_unless(
    path: Path, known: Container[str], *, least_share: float | LeastShare = 1.0
) -> OpenedPhoto | None:
    """Open a photo unless its digest is `known`, which is found out without decoding it."""
    data = _read_bytes(path)
    digest = bytes_digest(data)
    return None if digest in known else _decode(data, digest, str(path), least_share)


def decode_photo(data: bytes, where: str, *, least_share: float | LeastShare = 1.0) -> OpenedPhoto:
    """Decode and turn the bytes of a photo; see `open_photo`."""
    return _decode(data, bytes_digest(data), where, least_share)


def _decode(data: bytes, digest: str, where: str, least_share: float | LeastShare) -> OpenedPhoto:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # Pillow's remarks on odd EXIF: not ours to mend
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            image = Image.open(io.BytesIO(data), formats=_FORMATS)
            if image.width * image.height > _MAX_PIXELS:
                raise PhotoError(f"has {image.width} x {image.height} px, too many", where=where)
            exif = exif_facts(image)
            stored = image.size
            width_px, height_px = stored if exif.orientation < 5 else stored[::-1]
            share = least_share(width_px, height_px, exif) if callable(least_share) else least_share
            if (part := _reduction(stored, share)) > 1:
                image.draft("RGB", (stored[0] // part, stored[1] // part))
            image.load()
            turn = _TURNS.get(exif.orientation)
            upright = image if turn is None else image.transpose(turn)
            if upright.mode != "RGB":  # converting would copy it all the same
                upright = upright.convert("RGB")
    except UnidentifiedImageError as exc:
        fix = "take JPEG, PNG or TIFF; a phone that writes HEIC can be set to JPEG, or converts it"
        raise PhotoError("is not a photo that can be read", where=where, fix=fix) from exc
    except (Image.DecompressionBombError, Image.DecompressionBombWarning) as exc:
        raise PhotoError("has too many pixels to be a photo", where=where) from exc
    except (OSError, SyntaxError, ValueError, EOFError) as exc:
        fix = "copy it from the camera again"
        raise PhotoError(f"is damaged: {exc}", where=where, fix=fix) from exc
    return OpenedPhoto(upright, width_px, height_px, exif, digest)


def _reduction(size_px: tuple[int, int], least_share: float) -> int:
    """Return the greatest part of its size at which a JPEG can be decoded."""
    even = (part for part in (8, 4, 2) if size_px[0] % part == size_px[1] % part == 0)
    return next((part for part in even if least_share * part <= 1), 1)


def read_mask(path: Path) -> NDArray[np.uint8]:
    """Read a mask of one value per pixel, (height, width), as it lies in the file.

    Masks are for the upright photo and are never turned.
    Raises LabelError where it is no greyscale or palette image of 8 bits.
    """
    with _open_mask(path) as image:
        if image.mode not in ("L", "P", "1"):
            raise LabelError(
                f"is an image of mode {image.mode}, not of one value per pixel",
                where=str(path),
                fix="save the mask as an 8-bit greyscale PNG, or say what its colours mean",
            )
        values = image.convert("L") if image.mode == "1" else image
        return np.asarray(values, dtype=np.uint8)


def read_colour_mask(path: Path) -> NDArray[np.uint32]:
    """Read a mask of one colour per pixel, (height, width), as 0xRRGGBB.

    Masks are for the upright photo and are never turned. Raises LabelError if damaged.
    """
    with _open_mask(path) as image:
        rgb = np.asarray(image.convert("RGB"), dtype=np.uint32)
        return (rgb[..., 0] << 16 | rgb[..., 1] << 8 | rgb[..., 2]).astype(np.uint32)


@contextmanager
def _open_mask(path: Path) -> Iterator[Image.Image]:
    data = _read_bytes(path, LabelError)
    try:
        with Image.open(io.BytesIO(data), formats=("PNG", "TIFF")) as image:
            if image.width * image.height > _MAX_PIXELS:
                raise LabelError("has too many pixels to be a mask", where=str(path))
            yield image
    except UnidentifiedImageError as exc:
        raise LabelError("is not a PNG or TIFF mask", where=str(path)) from exc
    except (OSError, SyntaxError, ValueError, Image.DecompressionBombError) as exc:
        raise LabelError(f"is damaged: {exc}", where=str(path)) from exc


def encode_tile(pixels: NDArray[np.uint8]) -> bytes:
    """Encode a tile (height, width, 3) as a JPEG that keeps its colour detail."""
    buffer = io.BytesIO()
    Image.fromarray(pixels).save(buffer, "JPEG", quality=92, subsampling=0)
    return buffer.getvalue()


def encode_upright(path: Path, digest: str) -> bytes:
    """Return a photo as a JPEG of its upright pixels and nothing beside them.

    Raises PhotoError where it cannot be read, or is no longer the photo of that digest.
    """
    opened = open_photo(path)
    if opened.digest != digest:
        fix = "put the photo back where it was when it was tiled, or leave whole photos out"
        raise PhotoError("is another photo than was tiled", where=str(path), fix=fix)
    return encode_tile(np.asarray(opened.image))


def encode_loose(path: Path, longest_px: int) -> tuple[bytes, str]:
    """Return a picture upright, no longer than `longest_px`, as a JPEG, and its digest.

    For pictures of unknown scale, of which the full size says nothing. Raises PhotoError.
    """
    data = _read_bytes(path)
    return encode_tile(reduced(data, str(path), longest_px)), bytes_digest(data)


def decode_tile(data: bytes) -> NDArray[np.uint8]:
    """Decode the JPEG of a tile to (height, width, 3). Raises PhotoError if damaged."""
    try:
        with Image.open(io.BytesIO(data), formats=("JPEG",)) as image:
            return np.asarray(image.convert("RGB"))
    except (OSError, SyntaxError, ValueError) as exc:
        raise PhotoError(f"is a damaged tile: {exc}") from exc


def reduced(data: bytes, where: str, longest_px: int) -> NDArray[np.uint8]:
    """Decode a picture upright and no longer than `longest_px`, (height, width, 3).

    Raises PhotoError if damaged.
    """
    opened = decode_photo(data, where, least_share=lambda w, h, _: min(1.0, longest_px / max(w, h)))
    opened.image.thumbnail((longest_px, longest_px))
    return np.asarray(opened.image)


def check_decodes(data: bytes) -> None:
    """Decode a JPEG to see that it can be. Raises PhotoError if damaged.

    Large ones are decoded at an eighth of each side, which still reads every byte.
    """
    try:
        with Image.open(io.BytesIO(data), formats=("JPEG",)) as image:
            if image.width * image.height > _MAX_PIXELS:
                raise PhotoError("has too many pixels to be a photo")
            if image.mode != "RGB":
                raise PhotoError(f"is of colour mode {image.mode}, not RGB")
            if image.width * image.height > _SMALL_PIXELS:
                image.draft("RGB", (image.width // 8, image.height // 8))
            image.load()
    except (OSError, SyntaxError, ValueError, Image.DecompressionBombError) as exc:
        raise PhotoError(f"is a damaged picture: {exc}") from exc


def _read_bytes(path: Path, error: type[WeedsetError] = PhotoError) -> bytes:
    try:
        require_file(path)
        if path.stat().st_size > _MAX_BYTES:
            raise error("is larger than any photo should be", where=str(path))
        return path.read_bytes()
    except FileNotFoundError as exc:
        fix = "look at the name, and at the folder that you are in"
        raise error("there is no such file", where=str(path), fix=fix) from exc
    except OSError as exc:
        raise error(why_unreadable(exc), where=str(path)) from exc
