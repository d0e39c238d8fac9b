"""Labels from a table: a CSV with one row per plant in a cell."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache, partial
from pathlib import Path

from weedset.errors import LabelError, UnknownSpeciesError
from weedset.fields import read_text
from weedset.importers.complaints import raise_all
from weedset.labelling import contradiction
from weedset.records import Origin, Photo, Statement, Verdict
from weedset.store import TileKey
from weedset.taxonomy import SpeciesList, require_codes

COLUMNS = ("photo", "row", "col", "species")
_OPTIONAL = ("stage",)

#: Words in the species column that say something else than a species.
_WORDS = ("bare", "unknown", "cannot tell")


@dataclass(frozen=True, slots=True)
class _Line:
    number: int
    key: TileKey
    species: str
    stage: int | None


def table_statements(
    path: Path, photos: Sequence[Photo], species: SpeciesList, annotator: str
) -> list[tuple[TileKey, Statement]]:
    """Read a CSV with columns photo, row, col (both from 0), species and, if wanted, stage.

    `photo` is a file name or the first 8 or more digits of a digest; `species` an EPPO
    code, "bare", "unknown" (a plant you cannot name) or "cannot tell"; `stage` a BBCH
    principal growth stage, 0 to 9. Several plants in a cell take several rows. Columns
    parted by semicolons, as many spreadsheets save them, are read too.

    Raises LabelError naming every row and column that is wrong, at once.
    """
    text = read_text(path, LabelError)
    reader = csv.DictReader(io.StringIO(text), delimiter=_parted_by(text), strict=True)
    # Thousands of rows name the same few photos.
    find = cache(partial(_find_photo, by_name=_by_name(photos)))
    lines: list[_Line] = []
    complaints: list[str] = []
    try:
        _check_columns(reader.fieldnames, path)
        for record in reader:
            try:
                lines.append(_read_line(record, reader.line_num, find, species))
            except (LabelError, UnknownSpeciesError) as error:
                hint = f"; {error.fix}" if error.fix else ""
                complaints.append(f"line {reader.line_num}, {error}{hint}")
    except csv.Error as exc:
        raise LabelError(
            f"is not valid CSV: {exc}", where=f"{path}: line {reader.line_num}"
        ) from exc
    statements = _merge(lines, annotator, complaints)
    raise_all(complaints, path)
    if not statements:
        raise LabelError("holds no labels", where=str(path))
    return statements


def _parted_by(text: str) -> str:
    head = text.partition("\n")[0]
    return ";" if ";" in head and "," not in head else ","


def _check_columns(names: Sequence[str] | None, path: Path) -> None:
    for column in COLUMNS:
        if column not in (names or ()):
            raise LabelError(
                f"lacks the column {column!r}",
                where=f"{path}: line 1",
                fix=f"the first line must name the columns {', '.join(COLUMNS)}",
            )
    for name in names or ():
        if name not in COLUMNS + _OPTIONAL:
            what = f"has a column {name!r} that means nothing here"
            raise LabelError(what, where=f"{path}: line 1")


def _by_name(photos: Sequence[Photo]) -> dict[str, list[Photo]]:
    by_name: dict[str, list[Photo]] = {}
    for photo in photos:
        by_name.setdefault(photo.name, []).append(photo)
    return by_name


def _read_line(
    record: dict[str | None, str | None],
    number: int,
    find: Callable[[str], Photo],
    species: SpeciesList,
) -> _Line:
    if None in record or any(value is None for value in record.values()):
        raise LabelError("has more or fewer values than there are columns")
    text = {str(name): str(value).strip() for name, value in record.items()}
    photo = find(text["photo"])
    row = _whole(text, "row", photo.grid.rows - 1)
    col = _whole(text, "col", photo.grid.cols - 1)
    code = text["species"].lower()
    if code not in _WORDS:
        (code,) = require_codes([text["species"]], "column species", species)
    stage = _whole(text, "stage", 9) if text.get("stage") else None
    return _Line(number, (photo.digest, row, col), code, stage)


def _find_photo(name: str, by_name: dict[str, list[Photo]]) -> Photo:
    found = by_name.get(name, [])
    if not found and len(name) >= 8:
        found = [p for photos in by_name.values() for p in photos if p.digest.startswith(name)]
    if len(found) != 1:
        what = f"{name!r} is no photo of this workspace"
        if found:
            what = f"{name!r} is the name of {len(found)} photos: use the digest"
        raise LabelError(what, where="column photo")
    return found[0]


def _whole(text: dict[str, str], column: str, most: int) -> int:
    value = text[column]
    if not (value.isascii() and value.isdigit()) or len(value) > 6 or int(value) > most:
        what = f"{value!r} is not a whole number from 0 to {most}"
        raise LabelError(what, where=f"column {column}")
    return int(value)


def _merge(
    lines: Sequence[_Line], annotator: str, complaints: list[str]
) -> list[tuple[TileKey, Statement]]:
    """Join the rows of each cell, adding to `complaints` what is doubled or contradicts."""
    cells: dict[TileKey, dict[str, _Line]] = {}
    for line in lines:
        cell = cells.setdefault(line.key, {})
        if line.species in cell:
            first = cell[line.species].number
            complaints.append(f"line {line.number}, repeats line {first}: {line.species} twice")
        cell.setdefault(line.species, line)
    statements = []
    for key, cell in cells.items():
        statement = _statement(cell, annotator)
        clash = contradiction(statement)
        if "bare" in cell and "cannot tell" in cell:
            clash = "says bare and cannot tell"
        if clash:
            numbers = ", ".join(str(line.number) for line in cell.values())
            complaints.append(f"lines {numbers}, cell r{key[1]} c{key[2]}: {clash}")
        statements.append((key, statement))
    return statements


def _statement(cell: dict[str, _Line], annotator: str) -> Statement:
    verdict = Verdict.PLANTS
    if "bare" in cell:
        verdict = Verdict.BARE
    elif "cannot tell" in cell:
        verdict = Verdict.CANNOT_TELL
    named = [line for line in cell.values() if line.species not in _WORDS]
    return Statement(
        annotator=annotator,
        origin=Origin.TABLE,
        verdict=verdict,
        present=frozenset(line.species for line in named),
        unknown_plant="unknown" in cell,
        stages=tuple(
            sorted((line.species, line.stage) for line in named if line.stage is not None)
        ),
    )
