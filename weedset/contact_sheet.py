"""Photos side by side with what is wrong with them, to look through at a glance."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from weedset.digests import write_whole
from weedset.errors import PhotoError
from weedset.images import decode_tile
from weedset.quality import faults
from weedset.records import Photo, Quality, QualityLimits, Tile
from weedset.settings import Workspace, tile_archive
from weedset.tiling import read_tile

_ACROSS = 6
_SIDE_PX, _TEXT_PX, _GAP_PX = 250, 12, 10
_PAPER, _INK, _WARN = "#f7f5ef", "#20262a", "#9c2f00"

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
    """A photo on the sheet, with its tiles and what is beyond the limits."""

    photo: Photo
    tiles: Sequence[Tile]
    faults: Sequence[str]


def write_contact_sheet(
    path: Path, workspace: Workspace, items: Sequence[SheetItem], limits: QualityLimits
) -> None:
    """Draw photos six in a row into a JPEG or PNG, tiles beyond the limits crossed out.

    Raises PhotoError where the file cannot be written, StoreError where tiles are gone.
    """
    height = _SIDE_PX + 4 * _TEXT_PX + 2 * _GAP_PX
    rows = -(-len(items) // _ACROSS)
    size = (_ACROSS * (_SIDE_PX + _GAP_PX) + _GAP_PX, rows * height + _GAP_PX)
    paper = Image.new("RGB", size, _PAPER)
    for index, item in enumerate(items):
        row, col = divmod(index, _ACROSS)
        x, y = _GAP_PX + col * (_SIDE_PX + _GAP_PX), _GAP_PX + row * height
        paper.paste(_thumbnail(workspace, item, limits), (x, y))
        _write_below(ImageDraw.Draw(paper), x, y + _SIDE_PX + 4, item)
    buffer = io.BytesIO()
    paper.save(buffer, "PNG" if path.suffix.lower() == ".png" else "JPEG", quality=90)
    try:
        write_whole(path, buffer.getvalue())
    except OSError as exc:
        raise PhotoError(f"cannot be written ({exc.strerror})", where=str(path)) from exc


def _thumbnail(workspace: Workspace, item: SheetItem, limits: QualityLimits) -> Image.Image:
    """Put the tiles of a photo together, small, and cross out those beyond the limits."""
    grid = item.photo.grid
    side = max(2, _SIDE_PX // max(grid.rows, grid.cols))
    picture = Image.new("RGB", (_SIDE_PX, _SIDE_PX), "#dad6cc")
    left, top = (_SIDE_PX - grid.cols * side) // 2, (_SIDE_PX - grid.rows * side) // 2
    draw = ImageDraw.Draw(picture)
    archive = tile_archive(workspace, item.photo.digest)
    for tile in item.tiles:
        pixels = decode_tile(read_tile(archive, tile))
        step = max(1, pixels.shape[0] // side // 2)
        small = Image.fromarray(np.ascontiguousarray(pixels[::step, ::step]))
        x, y = left + tile.col * side, top + tile.row * side
        picture.paste(small.resize((side, side), Image.Resampling.BOX), (x, y))
        if tile.quality is not None and faults(tile.quality, limits):
            last = side - 2
            draw.line([(x + 1, y + 1), (x + last, y + last)], "white", 3)
            draw.line([(x + 1, y + 1), (x + last, y + last)], _WARN, 1)
    return picture


def _write_below(draw: ImageDraw.ImageDraw, x: int, y: int, item: SheetItem) -> None:
    font = ImageFont.load_default(_TEXT_PX)
    words = ", ".join(_WORDS[name] for name in item.faults)
    lines = [
        (item.photo.name, _INK),
        (_numbers(item.photo.quality), _INK),
        (f"! {words}" if words else "good", _WARN if words else _INK),
    ]
    for number, (line, colour) in enumerate(lines):
        while font.getlength(line) > _SIDE_PX:
            line = line[:-2] + "…"
        draw.text((x, y + number * (_TEXT_PX + 4)), line, colour, font)


def _numbers(quality: Quality | None) -> str:
    if quality is None:
        return "not measured"
    return (
        f"sharp {quality.sharpness:.0f}  light {quality.brightness:.2f}  "
        f"shade {quality.shadow:.0%}  green {quality.vegetation:.0%}"
    )
