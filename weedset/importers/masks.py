"""Labels from masks: one value per pixel of the upright photo."""

from __future__ import annotations

import re
import shlex
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from weedset.cells import cells_of_photo
from weedset.errors import LabelError
from weedset.geometry import grid_footprint, ground_box_px
from weedset.images import read_colour_mask, read_mask
from weedset.records import Batch, Origin, Photo, Statement, Verdict
from weedset.rectify import rectified
from weedset.store import TileKey
from weedset.taxonomy import SpeciesList, require_codes
from weedset.view import ground_to_pixels, is_plain

#: What a mask value can mean beside a species.
GROUND = "ground"
UNKNOWN = "unknown"

#: A plant counts as present where it covers at least this share of a cell; where it
#: covers less, but some, its presence is doubtful. 1 % of a 50 mm cell is a seedling of
#: 5 x 5 mm. Common practice, no source.
LEAST_SHARE = 0.01

_MASK_SUFFIXES = (".png", ".tif")


@dataclass(frozen=True, slots=True)
class MaskRule:
    """What the values of a mask mean, and from which covered share a plant counts.

    `by_colour` says that the values are colours, 0xRRGGBB, not what lies in the file.
    """

    meanings: Mapping[int, str]
    least_share: float = LEAST_SHARE
    by_colour: bool = False


def read_meanings(pairs: Sequence[str], species: SpeciesList) -> dict[int, str]:
    """Read value=meaning pairs such as "0=ground", "1=CHEAL", "2=unknown".

    Raises LabelError for a pair that is none or a value given twice, UnknownSpeciesError
    for a code in no list.
    """
    example = "--value 0=ground --value 1=CHEAL --value 2=unknown"
    return _meanings(pairs, species, "--value", r"\d{1,3}", 10, 255, example)


def read_colours(pairs: Sequence[str], species: SpeciesList) -> dict[int, str]:
    """Read colour=meaning pairs such as "000000=ground", "#00ff00=CHEAL", as 0xRRGGBB.

    Raises the same as `read_meanings`.
    """
    example = "--colour 000000=ground --colour 00ff00=CHEAL"
    return _meanings(pairs, species, "--colour", r"#?[0-9a-fA-F]{6}", 16, 0xFFFFFF, example)


def _meanings(
    pairs: Sequence[str],
    species: SpeciesList,
    option: str,
    shape: str,
    base: int,
    most: int,
    example: str,
) -> dict[int, str]:
    if len(pairs) > 256:
        raise LabelError("gives more than 256 values a meaning", where=option)
    meanings: dict[int, str] = {}
    for pair in pairs:
        match = re.fullmatch(rf"\s*({shape})\s*=\s*(\S+)\s*", pair)
        value = int(match[1].lstrip("#"), base) if match else 0
        if match is None or value > most:
            fix = f"write for example {example}"
            raise LabelError(f"{pair!r} is no value and its meaning", where=option, fix=fix)
        meaning = match[2]
        if value in meanings:
            raise LabelError(f"gives value {match[1]} two meanings", where=option)
        if meaning.lower() in (GROUND, UNKNOWN):
            meanings[value] = meaning.lower()
        else:
            (meanings[value],) = require_codes([meaning], option, species)
    return meanings


def _choices(value: object) -> str:
    """Return what a value may mean; a plant that is called ground counts as absent ever after."""
    return (
        f"{value}=CODE, {value}=unknown (a plant you cannot name), or {value}=ground only if it "
        "is bare soil"
    )


def _indexed(path: Path, rule: MaskRule) -> tuple[NDArray[np.uint8], dict[int, str]]:
    """Return a mask of colours as one of indices, and what these mean."""
    mask = read_colour_mask(path)
    colours, indices = np.unique(mask, return_inverse=True)
    for colour in colours.tolist():
        if colour not in rule.meanings:
            raise LabelError(
                f"has pixels of the colour {colour:06x}, which has no meaning",
                where=str(path),
                fix=f"add --colour {_choices(f'{colour:06x}')}; a colour that nobody painted comes "
                "of smoothed edges: save masks without these",
            )
    meanings = {i: rule.meanings[colour] for i, colour in enumerate(colours.tolist())}
    return indices.reshape(mask.shape).astype(np.uint8), meanings


@dataclass(frozen=True, slots=True)
class MaskFolder:
    """Which mask of a folder belongs to which photo, and what was left over on either side."""

    pairs: tuple[tuple[Path, Photo], ...]
    without_mask: tuple[str, ...]
    without_photo: tuple[str, ...]


def match_masks(folder: Path, photos: Sequence[Photo], batch_of: Mapping[str, Batch]) -> MaskFolder:
    """Match masks to photos by name: NAME_mask.png or NAME.png (or .tif) in `folder`.

    `batch_of` is the batch of each photo, by digest. Raises LabelError where `folder` is
    none, a mask fits several photos, a photo has several masks, or nothing fits at all.
    """
    if not folder.is_dir():
        raise LabelError("is no folder", where=str(folder))
    found = [(mask, photo) for photo in photos if (mask := _mask_of(photo.name, folder))]
    fits: dict[Path, list[Photo]] = {}
    for mask, photo in found:
        fits.setdefault(mask, []).append(photo)
    if not fits:
        fix = f"name the mask of {photos[0].name} {Path(photos[0].name).stem}_mask.png"
        raise LabelError("holds no mask of these photos", where=str(folder), fix=fix)
    for mask, several in fits.items():
        if len(several) > 1:
            raise _fits_several(mask, [batch_of[photo.digest] for photo in several])
    lying = {path for path in folder.iterdir() if path.suffix in _MASK_SUFFIXES}
    with_mask = {photo.digest for _, photo in found}
    return MaskFolder(
        pairs=tuple(found),
        without_mask=tuple(photo.name for photo in photos if photo.digest not in with_mask),
        without_photo=tuple(sorted(path.name for path in lying - fits.keys())),
    )


def _mask_of(photo_name: str, folder: Path) -> Path | None:
    stem = Path(photo_name).stem
    names = [f"{stem}{tail}{suffix}" for tail in ("_mask", "") for suffix in _MASK_SUFFIXES]
    found = [folder / name for name in names if (folder / name).is_file()]
    if len(found) > 1:
        fix = f"leave only {found[0].name} there"
        raise LabelError(f"has {len(found)} masks in {folder}", where=photo_name, fix=fix)
    return found[0] if found else None


def _fits_several(mask: Path, batches: Sequence[Batch]) -> LabelError:
    sites = list(dict.fromkeys(batch.site for batch in batches))
    days = list(dict.fromkeys(batch.taken_on for batch in batches))
    fix = "no option tells these apart: `weedset import csv` does, by the photo's digest"
    if len(sites) > 1:
        fix = f"say which with --site {shlex.quote(sites[0])}"
    elif len(days) > 1:
        fix = f"say which with --on {days[0]}"
    which = ", ".join(batch.id for batch in batches)
    return LabelError(f"fits {len(batches)} photos ({which})", where=str(mask), fix=fix)


def mask_statements(
    path: Path, photo: Photo, rule: MaskRule, annotator: str
) -> Iterator[tuple[TileKey, Statement]]:
    """Yield a statement for each cell of a photo from its mask.

    Raises LabelError where the mask is of another size, or has a value without meaning.
    """
    mask, meanings = _indexed(path, rule) if rule.by_colour else (read_mask(path), rule.meanings)
    if mask.shape != (photo.height_px, photo.width_px):
        raise LabelError(
            f"is {mask.shape[1]} x {mask.shape[0]} px, but its photo is "
            f"{photo.width_px} x {photo.height_px} px when upright",
            where=str(path),
            fix="masks must be drawn over the upright photo, at its full size",
        )
    shares = covered_shares(mask, photo)
    for value in shares:
        if value not in meanings:
            raise LabelError(
                f"has pixels of value {value}, which has no meaning",
                where=str(path),
                fix=f"add --value {_choices(value)}",
            )
    for row, col in cells_of_photo(photo).places():
        cell: dict[str, float] = {}
        for value, share in shares.items():
            meaning = meanings[value]
            cell[meaning] = cell.get(meaning, 0.0) + float(share[row, col])
        yield (
            (photo.digest, row, col),
            share_statement(cell, rule.least_share, annotator, Origin.MASK),
        )


def covered_shares(mask: NDArray[np.uint8], photo: Photo) -> dict[int, NDArray[np.float64]]:
    """Return for each value in `mask` the share of each cell that it covers, (rows, cols).

    A pixel of a straight-down photo belongs to the cell in which its centre lies. Other
    masks are rectified as their photo was, each point taking the nearest pixel's value;
    cells that were not kept, having no tile, have no share of anything.
    """
    grid = photo.grid
    if not is_plain(photo.view):
        return _rectified_shares(mask, photo)
    origin_px = ground_to_pixels(photo.view, np.zeros(2)) + 0.5
    left, top, _, _ = ground_box_px(
        grid_footprint(grid),
        photo.width_px,
        photo.height_px,
        photo.scale.gsd_mm_per_px,
        (float(origin_px[0]), float(origin_px[1])),
    )
    cell_px = grid.cell_mm / photo.scale.gsd_mm_per_px
    rows = _edges(top, cell_px, grid.rows, photo.height_px)
    cols = _edges(left, cell_px, grid.cols, photo.width_px)
    areas = np.outer(np.diff(rows), np.diff(cols)).clip(min=1)
    inside = mask[rows[0] : rows[-1], cols[0] : cols[-1]]
    return {
        int(value): _sums(inside == value, rows[:-1] - rows[0], cols[:-1] - cols[0]) / areas
        for value in np.flatnonzero(np.bincount(inside.ravel(), minlength=256))
    }


def _rectified_shares(mask: NDArray[np.uint8], photo: Photo) -> dict[int, NDArray[np.float64]]:
    side, cells = photo.tile_px, cells_of_photo(photo)
    seen = rectified(Image.fromarray(mask), cells, side, nearest=True)
    everywhere = Image.new("L", (photo.width_px, photo.height_px), 1)
    inside = np.asarray(rectified(everywhere, cells, side, nearest=True), dtype=bool)
    values = np.asarray(seen)
    corners = np.arange(photo.grid.rows) * side, np.arange(photo.grid.cols) * side
    areas = _sums(inside, *corners).clip(min=1)
    return {
        int(value): _sums(inside & (values == value), *corners) / areas
        for value in np.flatnonzero(np.bincount(values[inside], minlength=256))
    }


def _sums(
    pixels: NDArray[np.bool_], rows: NDArray[np.intp], cols: NDArray[np.intp]
) -> NDArray[np.int64]:
    """Count the pixels of each cell; `rows` and `cols` are where the cells begin."""
    by_row = np.add.reduceat(pixels, rows.clip(max=pixels.shape[0] - 1), axis=0, dtype=np.int64)
    return np.add.reduceat(by_row, cols.clip(max=pixels.shape[1] - 1), axis=1)


def _edges(first_px: float, cell_px: float, cells: int, size_px: int) -> NDArray[np.intp]:
    """Return the index of the first pixel of each cell along one side, and one past the last."""
    edges = first_px + cell_px * np.arange(cells + 1, dtype=np.float64)
    return np.ceil(edges - 0.5).clip(0, size_px).astype(np.intp)


def share_statement(
    by_meaning: Mapping[str, float], least_share: float, annotator: str, origin: Origin
) -> Statement:
    """Return what covered shares say of a cell, by the one rule for masks and outlines.

    A plant that covers `least_share` of it or more is present, one that covers less is
    doubtful. Where nothing but ground is left, the cell is bare.
    """
    plants = {code: share for code, share in by_meaning.items() if share > 0}
    plants.pop(GROUND, None)
    unknown_plant = plants.pop(UNKNOWN, 0.0) > 0
    present = frozenset(code for code, share in plants.items() if share >= least_share)
    return Statement(
        annotator=annotator,
        origin=origin,
        verdict=Verdict.PLANTS if plants or unknown_plant else Verdict.BARE,
        present=present,
        doubtful=frozenset(plants) - present,
        unknown_plant=unknown_plant,
    )
