"""Photos side by side with what is wrong with them, to look through at a glance."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from weedset.digests import write_whole
from weedset.drawn import drawn_exif
from weedset.errors import PhotoError
from weedset.images import decode_tile
from weedset.quality import faults
from weedset.records import Photo, Quality, QualityLimits, Tile
from weedset.settings import Workspace, tile_archive
from weedset.tilearchive import read_tile

_ACROSS = 6
_WIDTH_PX, _MOST_SIDE_PX, _TEXT_PX, _GAP_PX = 1570, 760, 12, 10
_PAPER, _INK, _WARN, _NO_TILE = "#f7f5ef", "#20262a", "#9c2f00", "#dad6cc"

#: How each fault is written below a photo.
_WORDS = {
    "sharpness": "blurred",
    "brightness": "dark or bright",
    "overexposed": "overexposed",
    "underexposed": "underexposed",
    "shadow": "much shadow",
    "glare": "glare",
    "vegetation": "cover",
}


@dataclass(frozen=True, slots=True)
class SheetItem:
    """A photo on the sheet, with its batch, its tiles and what is beyond the limits."""

    photo: Photo
    batch: str
    tiles: Sequence[Tile]
    faults: Sequence[str]


def write_contact_sheet(
    path: Path, workspace: Workspace, items: Sequence[SheetItem], limits: QualityLimits
) -> None:
    """Draw photos, six at most in a row, into a JPEG or PNG, with tiles beyond the limits struck.

    Fewer photos are drawn larger. A line at the foot says what the strokes mean.

    Raises PhotoError where the file cannot be written, StoreError where tiles are gone.
    """
    across = max(1, min(_ACROSS, len(items)))
    side = min(_MOST_SIDE_PX, (_WIDTH_PX - _GAP_PX) // across - _GAP_PX)
    pictures = [_thumbnail(workspace, item, limits, side) for item in items]
    # Each row is as high as its highest photo, so that no band is empty between them.
    starts = range(0, len(items), across)
    heights = [max(image.height for image in pictures[at : at + across]) for at in starts]
    below = _GAP_PX + 4 * (_TEXT_PX + 4) + 2 * _GAP_PX
    foot = sum(heights) + len(heights) * below + _GAP_PX
    size = (across * (side + _GAP_PX) + _GAP_PX, foot + 2 * _TEXT_PX + _GAP_PX)
    paper = Image.new("RGB", size, _PAPER)
    for index, (item, picture) in enumerate(zip(items, pictures, strict=True)):
        row, col = divmod(index, across)
        x, y = _GAP_PX + col * (side + _GAP_PX), _GAP_PX + sum(heights[:row]) + row * below
        paper.paste(picture, (x, y))
        _write_below(ImageDraw.Draw(paper), x, y + picture.height + 4, side, item)
    _write_legend(ImageDraw.Draw(paper), _GAP_PX, foot)
    buffer = io.BytesIO()
    kind = "PNG" if path.suffix.lower() == ".png" else "JPEG"
    paper.save(buffer, kind, quality=90, exif=drawn_exif())
    try:
        write_whole(path, buffer.getvalue())
    except OSError as exc:
        raise PhotoError(f"cannot be written ({exc.strerror})", where=str(path)) from exc


def _thumbnail(
    workspace: Workspace, item: SheetItem, limits: QualityLimits, side_px: int
) -> Image.Image:
    """Put the tiles of a photo together, small, and strike those beyond the limits.

    The picture ends where the tiles end; its longer side has at most `side_px`.
    """
    grid = item.photo.grid
    side = max(2, side_px // max(grid.rows, grid.cols))
    size = min(side_px, grid.cols * side), min(side_px, grid.rows * side)
    picture = Image.new("RGB", size, _NO_TILE)
    draw = ImageDraw.Draw(picture)
    archive = tile_archive(workspace, item.photo.digest)
    for tile in item.tiles:
        pixels = decode_tile(read_tile(archive, tile))
        step = max(1, pixels.shape[0] // side // 2)
        small = Image.fromarray(np.ascontiguousarray(pixels[::step, ::step]))
        x, y = tile.col * side, tile.row * side
        picture.paste(small.resize((side, side), Image.Resampling.BOX), (x, y))
        if tile.quality is not None and faults(tile.quality, limits):
            _strike(draw, x, y, side)
    return picture


def _strike(draw: ImageDraw.ImageDraw, x: int, y: int, side: int) -> None:
    ends = [(x + 1, y + 1), (x + side - 2, y + side - 2)]
    draw.line(ends, "white", 3)
    draw.line(ends, _WARN, 1)


def _write_legend(draw: ImageDraw.ImageDraw, x: int, y: int) -> None:
    side = 2 * _TEXT_PX
    draw.rectangle([x, y, x + side - 1, y + side - 1], "#8a7a66")
    _strike(draw, x, y, side)
    words = "a tile beyond a limit; it may be so though the photo as a whole is good"
    font = ImageFont.load_default(_TEXT_PX)
    draw.text((x + side + _GAP_PX, y + _TEXT_PX // 2), words, _INK, font)


def _write_below(draw: ImageDraw.ImageDraw, x: int, y: int, side_px: int, item: SheetItem) -> None:
    font = ImageFont.load_default(_TEXT_PX)
    words = ", ".join(_WORDS[name] for name in item.faults)
    lines = [
        (item.batch, _INK),
        (item.photo.name, _INK),
        (_numbers(item.photo.quality), _INK),
        (f"! {words}" if words else "good", _WARN if words else _INK),
    ]
    for number, (line, colour) in enumerate(lines):
        while font.getlength(line) > side_px:
            line = line[:-2] + "…"
        draw.text((x, y + number * (_TEXT_PX + 4)), line, colour, font)


def _numbers(quality: Quality | None) -> str:
    if quality is None:
        return "not measured"
    return (
        f"sharp {quality.sharpness:.0f}  light {quality.brightness:.2f}  "
        f"shade {quality.shadow:.0%}  green {quality.vegetation:.0%}"
    )
