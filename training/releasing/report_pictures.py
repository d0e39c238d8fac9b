"""The worst errors as pictures: each cell in its surroundings, as the photo shows them."""

from __future__ import annotations

import io
from collections.abc import Callable, Mapping, Sequence

import numpy as np
from PIL import Image, ImageDraw

from training.evaluation.pairs import Ought, Pair, what_ought
from training.releasing.report_page import Picture
from training.sources import Source
from weedset.board.classify import ClassifiedCell
from weedset.errors import PhotoError
from weedset.geometry import cell_footprint
from weedset.images import decode_tile, open_photo
from weedset.modelcard import ModelCard
from weedset.photofiles import path_of
from weedset.records import ANY_PLANT, Action, LabelledTile, Photo, Policy
from weedset.tilearchive import read_tile
from weedset.view import ground_to_pixels

#: How many are shown: protected and treated, weed and left, bare and treated.
_MOST = {Ought.PROTECT: 6, Ought.REMOVE: 4, Ought.BARE: 2}

#: The side of a picture, which shows three by three cells.
_SIDE_PX = 320
_AROUND = 1.0
_QUALITY = 82
_DIMMED = 0.5

_TITLES = {
    Ought.PROTECT: "Treated, but to be protected",
    Ought.REMOVE: "Left, but to be treated",
    Ought.BARE: "Treated, but bare ground",
}

_WRONG = {Ought.PROTECT: Action.TREAT, Ought.REMOVE: Action.LEAVE, Ought.BARE: Action.TREAT}

#: How a species is named for people, by code.
Name = Callable[[str], str]


def worst_errors(
    pairs: Sequence[Pair], card: ModelCard, policy: Policy
) -> list[tuple[Ought, Pair]]:
    """Return the worst errors: harm first, and of each kind the surest ones first."""
    removed = policy.remove - policy.protect
    wrong: dict[Ought, list[tuple[float, Pair]]] = {ought: [] for ought in _MOST}
    for labelled, cell in pairs:
        ought = what_ought(labelled, policy)
        if ought is None or cell.decision.action is not _WRONG[ought]:
            continue
        if ought is Ought.REMOVE:
            # The less it was seen, the worse.
            there = labelled.statement.present & removed
            size = 1 - max((_found(cell, card, code) for code in there), default=0.0)
        else:
            size = _found(cell, card, cell.species or "")
        wrong[ought].append((size, (labelled, cell)))
    return [
        (ought, pair)
        for ought, most in _MOST.items()
        for _, pair in sorted(wrong[ought], key=_worst_first)[:most]
    ]


def error_pictures(
    errors: Sequence[tuple[Ought, Pair]],
    photos: Mapping[str, Photo],
    source: Source,
    name: Name,
) -> tuple[Picture, ...]:
    """Return a picture of each error, in order; of an edition, the tile by itself.

    Raises PhotoError for a photo that is gone.
    """
    opened: dict[str, Image.Image] = {}
    pictures = []
    for ought, (labelled, cell) in errors:
        photo = photos.get(labelled.tile.photo_digest)
        if photo is None:
            shown = _tile(source, labelled)
        else:
            if photo.digest not in opened:
                opened = {photo.digest: _open(photo)}  # one at a time: photos are large
            shown = _marked(opened[photo.digest], photo, cell)
        pictures.append(_picture(ought, labelled, cell, shown, name))
    return tuple(pictures)


def _open(photo: Photo) -> Image.Image:
    found = open_photo(path_of(photo))
    if found.digest != photo.digest:
        fix = "put the photo that was tiled back in its place"
        raise PhotoError("has changed since it was tiled", where=photo.path, fix=fix)
    return found.image


def _tile(source: Source, labelled: LabelledTile) -> Image.Image:
    pixels = decode_tile(read_tile(source.archive_of(labelled), labelled.tile))
    return Image.fromarray(pixels).resize((_SIDE_PX, _SIDE_PX), Image.Resampling.LANCZOS)


def _picture(
    ought: Ought, labelled: LabelledTile, cell: ClassifiedCell, shown: Image.Image, name: Name
) -> Picture:
    buffer = io.BytesIO()
    shown.save(buffer, "JPEG", quality=_QUALITY)
    there = ", ".join(name(code) for code in sorted(labelled.statement.present))
    if labelled.statement.unknown_plant:
        there = f"{there}, a plant without a name" if there else "a plant without a name"
    place = f"{labelled.site}, {labelled.photo_name}, row {cell.row}, column {cell.col}"
    reason = cell.decision.reason
    if cell.species and cell.species != ANY_PLANT:
        reason = reason.replace(cell.species, name(cell.species))
    said = f"The model: {cell.decision.action}, since {reason}"
    label = f"Label: {there or 'bare ground'}"
    return Picture(
        jpeg=buffer.getvalue(),
        side_px=_SIDE_PX,
        alt=f"{_TITLES[ought]}. {label}. {said}.",
        title=_TITLES[ought],
        lines=(label, said, place),
    )


def _marked(image: Image.Image, photo: Photo, cell: ClassifiedCell) -> Image.Image:
    """Cut a cell with its surroundings out of a photo, dim these, and frame the cell."""
    ground = cell_footprint(photo.grid, cell.row, cell.col)
    x_mm = np.array([ground.x_min_mm, ground.x_max_mm, ground.x_max_mm, ground.x_min_mm])
    y_mm = np.array([ground.y_min_mm, ground.y_min_mm, ground.y_max_mm, ground.y_max_mm])
    corners = ground_to_pixels(photo.view, np.stack([x_mm, y_mm], axis=-1)) + 0.5
    middle = (corners.min(axis=0) + corners.max(axis=0)) / 2
    half = float((corners.max(axis=0) - corners.min(axis=0)).max()) * (0.5 + _AROUND)
    side = max(1, min(round(2 * half), *image.size))
    # Moved inside the photo, beyond whose edge there is nothing to see.
    most = np.array(image.size) - side
    left, top = np.clip(np.rint(middle - half), 0, most).astype(int).tolist()
    cut = image.crop((left, top, left + side, top + side)).convert("RGB")
    cut = cut.resize((_SIDE_PX, _SIDE_PX), Image.Resampling.LANCZOS)
    outline = [tuple(point) for point in (corners - (left, top)) * (_SIDE_PX / side)]
    mask = Image.new("L", cut.size, 0)
    ImageDraw.Draw(mask).polygon(outline, 255)
    dimmed = Image.blend(cut, Image.new("RGB", cut.size, "#000000"), _DIMMED)
    framed = Image.composite(cut, dimmed, mask)
    draw = ImageDraw.Draw(framed)
    for colour, width in (("#000000", 7), ("#ffffff", 3)):
        draw.line([*outline, *outline[:2]], colour, width, "curve")
    return framed


def _found(cell: ClassifiedCell, card: ModelCard, code: str) -> float:
    known = cell.probabilities and code in card.codes
    return cell.probabilities[card.codes.index(code)] if known else 0.0


def _worst_first(item: tuple[float, Pair]) -> tuple[float, str, int, int]:
    size, (labelled, cell) = item
    return (-size, labelled.tile.photo_digest, cell.row, cell.col)
