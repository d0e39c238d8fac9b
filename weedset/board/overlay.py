"""A photo with its decisions drawn on it, for people to look at before trusting any tool."""

from __future__ import annotations

import io
from collections import Counter
from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw

from weedset.board.classify import ClassifiedCell, ClassifiedPhoto
from weedset.board.guards import beside_in_words, must_not_be_hurt
from weedset.board.marks import Mark, font_of, stamp
from weedset.digests import write_whole
from weedset.drawn import drawn_exif
from weedset.errors import PhotoError, printable
from weedset.geometry import cell_footprint
from weedset.images import open_photo
from weedset.modelcard import ModelCard
from weedset.records import ANY_PLANT, Action, Policy
from weedset.view import ground_to_pixels

_PAPER, _SOIL, _INK, _SOFT, _WARN = "#14181c", "#6a5848", "#f4f4f0", "#b4bac0", "#f0e442"
_BAR_MM = (100, 50, 20, 10, 5)
_QUALITY = 88

#: A card from a stranger may say anything at any length.
_MOST_TEXT = 800

#: How the legend words the marks.
_LEGEND = {
    Mark.TREAT: "treat",
    Mark.UNSURE: "unsure: look yourself",
    Mark.PROTECTED: "leave: a plant to protect may be here",
    Mark.LEAVE: "leave",
}


def write_overlay(path: Path, classified: ClassifiedPhoto, card: ModelCard, folder: Path) -> Path:
    """Draw a photo's decisions into `folder`, as a JPEG named after photo and digest.

    Raises PhotoError where the photo cannot be read or the picture not be written.
    """
    picture = draw_overlay(open_photo(path).image, classified, card)
    buffer = io.BytesIO()
    picture.save(buffer, "JPEG", quality=_QUALITY, exif=drawn_exif())
    target = folder / f"{path.stem}-{classified.digest[:8]}.jpg"
    try:
        write_whole(target, buffer.getvalue())
    except OSError as exc:
        raise PhotoError(f"cannot be written ({exc.strerror})", where=str(target)) from exc
    return target


def mark_of(cell: ClassifiedCell, policy: Policy) -> Mark:
    """Return the mark for a cell's decision; a weed that a guard left gets none but its code."""
    match cell.decision.action:
        case Action.TREAT:
            return Mark.TREAT
        case Action.UNSURE:
            return Mark.UNSURE
        case Action.LEAVE:
            return Mark.PROTECTED if must_not_be_hurt(cell, policy) else Mark.LEAVE


def draw_overlay(image: Image.Image, classified: ClassifiedPhoto, card: ModelCard) -> Image.Image:
    """Return an upright photo with its cells marked and a legend below.

    `image` may be smaller than the photo that was classified, but shows all of it.
    """
    gsd = classified.scale.gsd_mm_per_px * classified.width_px / image.width
    legend = _draw_legend(image.width, image.height, gsd, classified, card)
    picture = Image.new("RGB", (image.width, image.height + legend.height))
    picture.paste(image, (0, 0))
    for cell in classified.cells:
        box = _box_px(classified, cell, image)
        code = "" if cell.species in (None, ANY_PLANT) else str(cell.species)
        mark = mark_of(cell, classified.policy)
        inked = stamp(mark, max(1, box[2] - box[0]), max(1, box[3] - box[1]), code)
        picture.paste(inked, (box[0], box[1]), inked)
    picture.paste(legend, (0, image.height))
    return picture


def _box_px(
    classified: ClassifiedPhoto, cell: ClassifiedCell, image: Image.Image
) -> tuple[int, int, int, int]:
    """Return (left, top, right, bottom) about a cell, which a tilted camera sees askew."""
    ground = cell_footprint(classified.grid, cell.row, cell.col)
    x_mm = np.array([ground.x_min_mm, ground.x_max_mm, ground.x_max_mm, ground.x_min_mm])
    y_mm = np.array([ground.y_min_mm, ground.y_min_mm, ground.y_max_mm, ground.y_max_mm])
    corners = ground_to_pixels(classified.view, np.stack([x_mm, y_mm], axis=-1)) + 0.5
    corners *= np.array(image.size) / (classified.width_px, classified.height_px)
    left, top = np.rint(corners.min(axis=0)).astype(int).tolist()
    right, bottom = np.rint(corners.max(axis=0)).astype(int).tolist()
    return left, top, right, bottom


def _draw_legend(
    width: int, height: int, gsd: float, classified: ClassifiedPhoto, card: ModelCard
) -> Image.Image:
    """Lay out the legend from top to bottom: name and bar, marks, facts, caution."""
    text_px = max(12, round(max(width, height) / 62))
    pad = text_px
    paper = Image.new("RGB", (width, 60 * text_px), _PAPER)
    draw = ImageDraw.Draw(paper)
    y = pad
    bar_px = _draw_bar(draw, width - pad, y, gsd, text_px, width * 0.4)
    name = _fitting(printable(classified.name), round(1.3 * text_px), width - 3 * pad - bar_px)
    draw.text((pad, y), name, _INK, font_of(round(1.3 * text_px)))
    y = _draw_marks(paper, y + round(2.4 * text_px), pad, text_px, classified)
    scale = classified.scale
    facts = (
        f"{len(classified.cells)} cells of {classified.grid.cell_mm:g} mm  ·  "
        f"{scale.gsd_mm_per_px:.3g} mm per px ({scale.source})  ·  "
        f"policy: {printable(classified.policy.name)}  ·  model: {printable(card.name)}"
    )
    for reason in _why_left(classified):
        y = _paragraph(draw, reason, _WARN, text_px, pad, y, width)
    y = _paragraph(draw, facts, _SOFT, text_px, pad, y, width)
    small_px = max(11, round(0.85 * text_px))
    y = _paragraph(draw, f"CAUTION  {card.caution}", _WARN, small_px, pad, y + pad // 2, width)
    return paper.crop((0, 0, width, y + pad))


def _draw_bar(
    draw: ImageDraw.ImageDraw, right: int, y: int, gsd: float, text_px: int, most_px: float
) -> int:
    """Draw a bar of round length on the ground; return the width that it takes."""
    length_mm = next((mm for mm in _BAR_MM if mm / gsd <= most_px), _BAR_MM[-1])
    length_px = length_mm / gsd
    left, foot, thick = right - length_px, y + 1.9 * text_px, max(2, text_px // 6)
    draw.line([(left, foot), (right, foot)], _INK, thick)
    for x in (left, right):
        draw.line([(x, foot - text_px * 0.4), (x, foot + text_px * 0.4)], _INK, thick)
    label = f"{length_mm} mm"
    draw.text((right - length_px / 2, foot - text_px * 0.5), label, _INK, font_of(text_px), "ms")
    return round(max(length_px, draw.textlength(label, font_of(text_px))))


def _draw_marks(
    paper: Image.Image, y: int, pad: int, text_px: int, classified: ClassifiedPhoto
) -> int:
    """Draw each mark with its count and meaning, in as many lines as it takes."""
    draw = ImageDraw.Draw(paper)
    counts = Counter(mark_of(cell, classified.policy) for cell in classified.cells)
    side = max(42, round(2.4 * text_px))
    x = float(pad)
    for mark, words in _LEGEND.items():
        label = f"{counts[mark]}  {words}"
        taken = side + text_px * 0.6 + draw.textlength(label, font_of(text_px))
        if x > pad and x + taken > paper.width - pad:
            x, y = float(pad), y + round(1.3 * side)
        inked = stamp(mark, side, side)
        draw.rectangle((round(x), y, round(x) + side, y + side), _SOIL)
        paper.paste(inked, (round(x), y), inked)
        place = (x + side + text_px * 0.6, y + side / 2)
        draw.text(place, label, _INK, font_of(text_px), "lm")
        x += taken + 1.6 * text_px
    return y + round(1.3 * side)


def _why_left(classified: ClassifiedPhoto) -> list[str]:
    """Return why all cells are left; or how many for the model not being asked, and why, and how
    many weeds for what is beside them.
    """
    decisions = {cell.decision for cell in classified.cells}
    if len(decisions) == 1 and (only := next(iter(decisions))).action is Action.LEAVE:
        return [f"All cells left: {only.reason}"]
    reasons = [cell.decision.reason for cell in classified.cells if not cell.probabilities]
    found = [f"{len(reasons)} cells left: {reasons[0]}"] if reasons else []
    beside = beside_in_words(classified)
    return [*found, beside] if beside else found


def _paragraph(
    draw: ImageDraw.ImageDraw, text: str, colour: str, text_px: int, pad: int, y: int, width: int
) -> int:
    """Write text in lines that fit; return where the next line would stand."""
    font, line = font_of(text_px), ""
    for word in [*printable(text)[:_MOST_TEXT].split(" "), None]:
        longer = f"{line} {word}".strip()
        if word is None or draw.textlength(longer, font) > width - 2 * pad:
            draw.text((pad, y), line, colour, font)
            y += round(1.35 * text_px)
            longer = word or ""
        line = longer
    return y


def _fitting(text: str, text_px: int, width: float) -> str:
    """Shorten a text in its middle until it fits; a file name's end tells most."""
    font = font_of(text_px)
    if font.getlength(text) <= width:
        return text
    for kept in range(len(text) - 1, 1, -1):
        shorter = f"{text[: kept // 2]}…{text[-(kept - kept // 2) :]}"
        if font.getlength(shorter) <= width:
            return shorter
    return ""
