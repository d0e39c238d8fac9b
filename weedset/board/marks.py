"""How each decision is drawn: by shape first, so that colour only helps.

Colours are those of Okabe and Ito (2008), told apart by all common kinds of colour
vision; every line has a dark rim, so that it shows on pale straw as on wet soil.
"""

from __future__ import annotations

from collections.abc import Callable
from enum import StrEnum
from functools import lru_cache

from PIL import Image, ImageDraw, ImageFont

_VERMILLION, _SKY, _YELLOW, _WHITE = "#d55e00", "#56b4e9", "#f0e442", "#ffffff"
_RIM = "#101418"

#: Marks are drawn this much larger and averaged down: Pillow draws no smooth edges itself.
_FINER = 4

#: Cells smaller than this hold no readable text; the shape still says it.
_LEAST_TEXT_PX = 44


class Mark(StrEnum):
    """What a cell's mark says."""

    TREAT = "treat"
    PROTECTED = "protected"
    UNSURE = "unsure"
    LEAVE = "leave"


@lru_cache(maxsize=256)
def font_of(size_px: int) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    """Return Pillow's own font, so that a board needs none."""
    return ImageFont.load_default(size_px)


@lru_cache(maxsize=256)
def stamp(mark: Mark, width_px: int, height_px: int, text: str = "") -> Image.Image:
    """Return a mark as an RGBA picture of the given size, with a species code or none."""
    large = Image.new("RGBA", (width_px * _FINER, height_px * _FINER))
    draw = ImageDraw.Draw(large)
    side = min(large.size)
    pen = max(2 * _FINER, round(side * 0.022))
    _SHAPES[mark](draw, large.size, pen)
    small = large.resize((width_px, height_px), Image.Resampling.BOX)
    if mark is Mark.UNSURE:
        _write_question(small)
    if text and min(width_px, height_px) >= _LEAST_TEXT_PX:
        _write_code(small, text)
    return small


def _write_question(picture: Image.Image) -> None:
    side = min(picture.size)
    place = (picture.width / 2, picture.height / 2)
    font, rim = font_of(max(9, round(side * 0.4))), max(1, round(side * 0.016))
    ImageDraw.Draw(picture).text(
        place, "?", _YELLOW, font, "mm", stroke_width=rim, stroke_fill=_RIM
    )


def _write_code(picture: Image.Image, code: str) -> None:
    """Write a species code on a dark tab at the cell's foot, clear of the plant."""
    draw = ImageDraw.Draw(picture)
    side = min(picture.size)
    font = font_of(max(10, round(side * 0.15)))
    x, y = picture.width / 2, picture.height * 0.86
    left, top, right, bottom = draw.textbbox((x, y), code, font, "mm")
    air = max(2, round(side * 0.025))
    tab = (left - 1.5 * air, top - air, right + 1.5 * air, bottom + air)
    draw.rounded_rectangle(tab, radius=1.5 * air, fill=_RIM)
    draw.text((x, y), code, _WHITE, font, "mm")


_Draw = ImageDraw.ImageDraw
_Size = tuple[int, int]


def _treat(draw: _Draw, size: _Size, pen: int) -> None:
    """Draw a thick whole frame and a cross hair with an open middle: this spot is meant."""
    thick = 2 * pen
    gap = pen
    box = (gap, gap, size[0] - 1 - gap, size[1] - 1 - gap)
    rim = (0, 0, size[0] - 1, size[1] - 1)
    draw.rectangle(rim, outline=_RIM, width=thick + 2 * gap)
    draw.rectangle(box, outline=_VERMILLION, width=thick)
    x, y = size[0] / 2, size[1] / 2
    near, far = min(size) * 0.07, min(size) * 0.2
    for dx, dy in ((1, 0), (-1, 0), (0, 1), (0, -1)):
        ends = [(x + dx * near, y + dy * near), (x + dx * far, y + dy * far)]
        _rimmed_line(draw, ends, _VERMILLION, thick)
    if min(size) < _LEAST_TEXT_PX * _FINER:
        return
    dot = pen * 1.2
    draw.ellipse((x - dot * 1.7, y - dot * 1.7, x + dot * 1.7, y + dot * 1.7), _RIM)
    draw.ellipse((x - dot, y - dot, x + dot, y + dot), _VERMILLION)


def _protected(draw: _Draw, size: _Size, pen: int) -> None:
    """Draw a ring around the plant: keep out."""
    radius = min(size) * 0.42
    x, y = size[0] / 2, size[1] / 2
    box = (x - radius, y - radius, x + radius, y + radius)
    outer = (box[0] - pen, box[1] - pen, box[2] + pen, box[3] + pen)
    draw.ellipse(outer, outline=_RIM, width=round(3.6 * pen))
    draw.ellipse(box, outline=_SKY, width=round(1.6 * pen))


def _unsure(draw: _Draw, size: _Size, pen: int) -> None:
    """Draw a dashed frame."""
    gap = 2 * pen
    left, top, right, bottom = gap, gap, size[0] - gap, size[1] - gap
    for begin, end in (
        ((left, top), (right, top)),
        ((right, top), (right, bottom)),
        ((right, bottom), (left, bottom)),
        ((left, bottom), (left, top)),
    ):
        for dash in _dashes(begin, end):
            _rimmed_line(draw, dash, _YELLOW, round(1.4 * pen))


def _dashes(
    begin: tuple[float, float], end: tuple[float, float]
) -> list[list[tuple[float, float]]]:
    """Return five dashes: half ones at the corners, so that the frame closes there."""
    parts = [(0.0, 0.09), (0.22, 0.36), (0.43, 0.57), (0.64, 0.78), (0.91, 1.0)]
    return [
        [
            (begin[0] + (end[0] - begin[0]) * share, begin[1] + (end[1] - begin[1]) * share)
            for share in part
        ]
        for part in parts
    ]


def _leave(draw: _Draw, size: _Size, pen: int) -> None:
    """Draw faint ticks in two corners: the cell was looked at, and that is all."""
    tick = min(size) * 0.12
    right, bottom = size[0] - 1, size[1] - 1
    thin = max(_FINER, round(pen * 0.6))
    faint = (255, 255, 255, 150)
    draw.line([(0, tick), (0, 0), (tick, 0)], faint, thin)
    draw.line([(right, bottom - tick), (right, bottom), (right - tick, bottom)], faint, thin)


def _rimmed_line(draw: _Draw, ends: list[tuple[float, float]], colour: str, width: int) -> None:
    (x0, y0), (x1, y1) = ends
    rim = max(1, width // 2)
    half = width / 2
    box = (min(x0, x1), min(y0, y1), max(x0, x1), max(y0, y1))
    flat = (0, half) if y0 == y1 else (half, 0)
    core = (box[0] - flat[0], box[1] - flat[1], box[2] + flat[0], box[3] + flat[1])
    draw.rectangle((core[0] - rim, core[1] - rim, core[2] + rim, core[3] + rim), _RIM)
    draw.rectangle(core, colour)


_SHAPES: dict[Mark, Callable[[_Draw, _Size, int], None]] = {
    Mark.TREAT: _treat,
    Mark.PROTECTED: _protected,
    Mark.UNSURE: _unsure,
    Mark.LEAVE: _leave,
}
