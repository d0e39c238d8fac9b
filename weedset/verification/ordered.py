"""Reading rows in step with the files that they speak of."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from typing import Generic, TypeVar

from weedset.contribution.layout import MANIFEST, name_order
from weedset.findings import Findings
from weedset.storedzip import Member, StoredZip

#: Where something belongs in a bag: see `name_order`.
Order = tuple[int, str]

_T = TypeVar("_T")

_MOST_LINE_BYTES = 1 << 16
_LINE = re.compile(r"([0-9a-f]{64})  (data/[ -~]{1,200})")


class InStep(Generic[_T]):
    """Rows in order, taken one by one as the things that they speak of come by in order."""

    def __init__(self, rows: Iterator[tuple[Order, _T]], lonely: Callable[[_T], None]) -> None:
        self._rows = rows
        self._lonely = lonely
        self._next = next(rows, None)

    def take(self, order: Order) -> _T | None:
        """Return the row that belongs to `order`; rows passed over speak of nothing."""
        while self._next is not None and self._next[0] < order:
            self._lonely(self._next[1])
            self._next = next(self._rows, None)
        if self._next is None or self._next[0] != order:
            return None
        row = self._next[1]
        self._next = next(self._rows, None)
        return row

    def finish(self) -> None:
        """Pass over all rows that are left."""
        while self._next is not None:
            self._lonely(self._next[1])
            self._next = next(self._rows, None)


def rows_of(
    archive: StoredZip, member: Member, findings: Findings, file: str
) -> Iterator[tuple[int, str]]:
    """Yield (row number, text) of each line of a text file in the archive.

    What is not UTF-8, too long, or not ended by a line feed is noted and ends the reading.
    """
    left, number = b"", 0
    for chunk in archive.chunks(member):
        *lines, left = (left + chunk).split(b"\n")
        for line in lines:
            number += 1
            if len(line) > _MOST_LINE_BYTES:
                break
            try:
                text = line.decode()
            except UnicodeDecodeError:
                findings.at(file, number).add("is not UTF-8 text")
                return
            yield number, text
        if len(left) > _MOST_LINE_BYTES or any(len(line) > _MOST_LINE_BYTES for line in lines):
            findings.at(file, number + 1).add(f"is longer than {_MOST_LINE_BYTES} bytes")
            return
    if left:
        findings.at(file, number + 1).add("is cut short: it does not end its line")


def manifest_rows(
    archive: StoredZip, member: Member, findings: Findings
) -> Iterator[tuple[Order, tuple[str, str]]]:
    """Yield (order, (name, digest)) of the manifest (RFC 8493, 2.1.3)."""
    last: Order = (-1, "")
    for number, line in rows_of(archive, member, findings, MANIFEST):
        match = _LINE.fullmatch(line)
        order = name_order(match[2]) if match else None
        if match is None or order is None:
            findings.at(MANIFEST, number).add("is no digest and name of a file of the payload")
        elif order <= last:
            what = f"lists {match[2]} twice" if order == last else f"lists {match[2]} out of order"
            findings.at(MANIFEST, number).add(what)
        else:
            last = order
            yield order, (match[2], match[1])
