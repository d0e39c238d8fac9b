"""Sheets of pictures that a person looks through before they go to others, or come from them.

No program reliably finds a person, a house number or a face in a window, so a person has to
look. The sheets are put together from the very pictures that go, or came.
"""

from __future__ import annotations

import io
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont, ImageOps

from weedset.digests import write_whole
from weedset.drawn import drawn_exif
from weedset.images import reduced

#: What to do with the sheets.
LOOK_AT_THESE = "Look at these, at full size, for people, house numbers, number plates, screens:"

_SHEET_PX = 1920
_HIGH_PX = 1440
_CAPTION_PX = 28
_TEXT_PX = 20
_GAP_PX = 8
_ON_A_SHEET = 4


@dataclass(frozen=True, slots=True)
class Shown:
    """A picture on a sheet, and what stands above it."""

    caption: str
    pixels: NDArray[np.uint8]


def shown(caption: str, data: bytes) -> Shown:
    """Return a picture as it is shown. Raises PhotoError where it cannot be decoded."""
    return Shown(caption, reduced(data, caption, _SHEET_PX))


def shown_tiles(
    caption: str, places: Sequence[tuple[int, int]], tiles: Iterable[bytes], tile_px: int
) -> Shown:
    """Put the tiles of a photo where they lie to each other (row, col); the rest stays grey.

    Raises PhotoError where one cannot be decoded.
    """
    first_row, first_col = min(row for row, _ in places), min(col for _, col in places)
    rows = max(row for row, _ in places) - first_row + 1
    cols = max(col for _, col in places) - first_col + 1
    side = max(4, min(tile_px, _SHEET_PX // cols, _HIGH_PX // rows))
    picture = np.full((rows * side, cols * side, 3), 128, np.uint8)
    for (row, col), data in zip(places, tiles, strict=True):
        y, x = (row - first_row) * side, (col - first_col) * side
        pixels = reduced(data, f"{caption} r{row} c{col}", side)
        picture[y : y + side, x : x + side] = pixels
    return Shown(caption, picture)


def write_sheets(pictures: Iterable[Shown], folder: Path, name: str) -> list[Path]:
    """Write `folder`/`name`-01.jpg and so on, and return them. Raises OSError."""
    items, written = iter(pictures), list[Path]()
    while page := list(islice(items, _ON_A_SHEET)):
        path = folder / f"{name}-{len(written) + 1:02d}.jpg"
        buffer = io.BytesIO()
        _sheet(page).save(buffer, "JPEG", quality=92, subsampling=0, exif=drawn_exif())
        write_whole(path, buffer.getvalue())
        written.append(path)
    return written


def _sheet(items: list[Shown]) -> Image.Image:
    """Return a sheet that its pictures fill: one across it, or two beside each other."""
    across = 1 if len(items) == 1 else 2
    wide, high = (_SHEET_PX - (across - 1) * _GAP_PX) // across, _HIGH_PX // across
    images = [ImageOps.contain(Image.fromarray(item.pixels), (wide, high)) for item in items]
    heights = [
        max(image.height for image in images[at : at + across])
        for at in range(0, len(images), across)
    ]
    step = _CAPTION_PX + _GAP_PX
    size = (_SHEET_PX + 2 * _GAP_PX, sum(heights) + len(heights) * step + _GAP_PX)
    page = Image.new("RGB", size, "white")
    draw, font = ImageDraw.Draw(page), ImageFont.load_default(_TEXT_PX)
    for place, (item, image) in enumerate(zip(items, images, strict=True)):
        row, col = divmod(place, across)
        x, y = col * (wide + _GAP_PX) + _GAP_PX, sum(heights[:row]) + row * step + _GAP_PX
        text = item.caption.encode("ascii", "replace").decode()  # the font has no more letters
        draw.text((x, y), text, fill="black", font=font)
        page.paste(image, (x, y + _CAPTION_PX))
    return page
