"""From the names that people give plants to codes, with a list of what nobody could place."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from weedset.digests import write_whole
from weedset.errors import LabelError
from weedset.fields import FORMULA_SIGNS, read_text
from weedset.importers.masks import GROUND, UNKNOWN
from weedset.taxonomy import SpeciesList, named, require_codes, search

_COLUMNS = ("name", "code", "count", "perhaps")
_MOST_NAMES = 10_000


@dataclass(frozen=True, slots=True)
class NameToReview:
    """A name that stands for no plant, or for several; `perhaps` are codes it could be."""

    name: str
    count: int
    perhaps: tuple[str, ...]


def place_names(
    counts: Mapping[str, int], known: SpeciesList, given: Mapping[str, str]
) -> tuple[dict[str, str], list[NameToReview]]:
    """Return what each name means (a code, "ground" or "unknown"), and what is to be reviewed.

    `counts` says how often each name occurs; `given` is what a person has decided. A name
    is taken for a plant where it is the whole of one of its names, in any language or
    spelling, and of no other plant's: nothing is guessed.
    """
    placed: dict[str, str] = {}
    review = []
    for name, count in counts.items():
        meaning = given.get(name) or _meaning(name, known)
        if meaning:
            placed[name] = meaning
        else:
            perhaps = named(_spaced(name), known) or search(_spaced(name), known, 3)
            review.append(NameToReview(name, count, tuple(entry.code for entry in perhaps)))
    return placed, review


def _meaning(name: str, known: SpeciesList) -> str:
    if name.strip().lower() in (GROUND, UNKNOWN):
        return name.strip().lower()
    found = named(_spaced(name), known)
    return found[0].code if len(found) == 1 else ""


def _spaced(name: str) -> str:
    return name.replace("_", " ")


def read_names(path: Path, known: SpeciesList) -> dict[str, str]:
    """Read what a person has decided: a CSV with columns name and code.

    Rows with an empty code are undecided. The code may be "ground" or "unknown" too.
    Raises LabelError or UnknownSpeciesError, naming the line.
    """
    reader = csv.DictReader(io.StringIO(read_text(path, LabelError)), strict=True)
    given: dict[str, str] = {}
    try:
        if not {"name", "code"} <= set(reader.fieldnames or ()):
            raise LabelError("lacks the columns name and code", where=f"{path}: line 1")
        for record in reader:
            where = f"{path}: line {reader.line_num}"
            name, code = record["name"], (record["code"] or "").strip()
            if not name or name in given:
                raise LabelError("has no name, or one that was there before", where=where)
            if code.lower() in (GROUND, UNKNOWN):
                given[_bare(name)] = code.lower()
            elif code:
                (given[_bare(name)],) = require_codes([code], where, known)
    except csv.Error as exc:
        raise LabelError(f"is not valid CSV: {exc}", where=str(path)) from exc
    return given


def write_names(
    path: Path, placed: Mapping[str, str], review: list[NameToReview], counts: Mapping[str, int]
) -> None:
    """Write names and what they mean, those to be reviewed first and with an empty code.

    Names are strangers' words: one that a spreadsheet would take for a formula is quoted.
    """
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(_COLUMNS)
    for item in review:
        writer.writerow([_quoted(item.name), "", item.count, " ".join(item.perhaps)])
    for name, code in placed.items():
        writer.writerow([_quoted(name), code, counts[name], ""])
    write_whole(path, text.getvalue())


def settle_names(counts: Mapping[str, int], known: SpeciesList, path: Path) -> dict[str, str]:
    """Return what all names mean, with the help of the file at `path` where it is there.

    Raises LabelError where names are left over, after listing them in that file for a
    person to fill in.
    """
    if len(counts) > _MOST_NAMES:
        raise LabelError(f"there are more than {_MOST_NAMES} names", where=str(path))
    given = read_names(path, known) if path.exists() else {}
    placed, review = place_names(counts, known, given)
    if review:
        write_names(path, placed, review, counts)
        names = ", ".join(repr(item.name[:40]) for item in review[:5])
        more = f" and {len(review) - 5} more" if len(review) > 5 else ""
        many = f"{len(review)} names are" if len(review) > 1 else "1 name is"
        raise LabelError(
            f"{many} not known to stand for one plant: {names}{more}",
            where=str(path),
            fix="fill in the column code there (an EPPO code, ground or unknown), and run it again",
        )
    return placed


def _quoted(name: str) -> str:
    return f"'{name}" if name[:1] in FORMULA_SIGNS else name


def _bare(name: str) -> str:
    return name[1:] if name[:1] == "'" and name[1:2] in FORMULA_SIGNS else name
