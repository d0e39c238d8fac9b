"""Reading the rows of labels in the order of the pictures that they speak of."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import date

from weedset.contribution.batch import Contribution
from weedset.contribution.layout import (
    LABELS,
    LOOSE_NAME,
    TILE_NAME,
    loose_name,
    name_order,
    tile_name,
)
from weedset.contribution.rows import label_from, loose_from
from weedset.errors import ContributionError
from weedset.fields import Fields, parse_json
from weedset.findings import Findings, Spot
from weedset.storedzip import Member, StoredZip
from weedset.verification.ordered import Order, rows_of

_BEGINNING = re.compile(r'\{"picture":"([^"\\]{1,40})",')
_MOST_KEPT = 1_000


def label_rows(
    archive: StoredZip,
    member: Member,
    whole: Contribution,
    today: date,
    findings: Findings,
    file: str,
) -> Iterator[tuple[Order, tuple[int, str]]]:
    """Yield (order, (row, picture)) of each row, noting in `findings` all that is wrong.

    Most rows of a batch say the same of different pictures: what was found right once is
    not taken apart again.
    """
    named, shape = (tile_name, TILE_NAME) if file == LABELS else (loose_name, LOOSE_NAME)
    right: set[str] = set()
    last: Order = (-1, "")
    for number, line in rows_of(archive, member, findings, file):
        spot = findings.at(file, number)
        beginning = _BEGINNING.match(line)
        rest = line[beginning.end() :] if beginning else ""
        if beginning and rest in right:
            picture = beginning[1]
        else:
            before = findings.count
            fields = row_fields(line, spot)
            if fields is None:
                continue
            read = label_from if file == LABELS else loose_from
            picture = read(fields, whole, today, spot).picture
            # A second "picture", plain or escaped, would make the row mean another one.
            plain = '"picture"' not in rest and "\\" not in rest
            if beginning and plain and findings.count == before and len(right) < _MOST_KEPT:
                right.add(rest)
        name = named(picture)
        order = name_order(name) if shape.fullmatch(name) else None
        if order is None:
            spot.add(f"{picture!r} is no name of a picture", field="picture")
        elif order <= last:
            what = "is there twice" if order == last else "comes out of order"
            spot.add(f"{picture!r} {what}", field="picture")
        else:
            last = order
            yield order, (number, picture)


def row_fields(line: str, spot: Spot) -> Fields | None:
    """Return a row as a table, or None where it is none, which is noted at `spot`."""
    return spot.attempt(lambda: parse_json(line, spot.file, ContributionError), None)
