"""Everything that is wrong, at once: what a check found, and how it goes on after a fault."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TypeVar

from weedset.errors import WeedsetError

_T = TypeVar("_T")

_MOST_SHOWN = 1_000
_MOST_CHARACTERS = 300


@dataclass(frozen=True, slots=True)
class Finding:
    """One fault: the file it is in, its row (1 is the first; 0 where rows mean nothing), the
    field, what is wrong and what to do."""

    file: str
    row: int
    field: str
    what: str
    fix: str

    def __str__(self) -> str:
        place = [self.file, f"row {self.row}" if self.row else "", self.field]
        return ": ".join([*filter(None, place), self.what])


class Findings:
    """The faults found so far. Keeps the first thousand and counts the rest."""

    def __init__(self) -> None:
        self.shown: list[Finding] = []
        self.count = 0

    def add(self, finding: Finding) -> None:
        """Add a fault."""
        self.count += 1
        if len(self.shown) < _MOST_SHOWN:
            self.shown.append(finding)

    def at(self, file: str, row: int = 0) -> Spot:
        """Return the place of which the next findings speak."""
        return Spot(self, file, row)


@dataclass(frozen=True, slots=True)
class Spot:
    """A file, and a row in it, that is being looked at."""

    findings: Findings
    file: str
    row: int

    def add(self, what: str, *, field: str = "", fix: str = "") -> None:
        """Add a fault here; what a stranger wrote is made harmless to print."""
        file, field, what, fix = (harmless(text) for text in (self.file, field, what, fix))
        self.findings.add(Finding(file, self.row, field, what, fix))

    @contextmanager
    def catching(self) -> Iterator[None]:
        """Take an expected failure inside the block as a finding, and go on after it."""
        try:
            yield
        except WeedsetError as error:
            self.add_error(error)

    def attempt(self, read: Callable[[], _T], otherwise: _T) -> _T:
        """Return what `read` returns; where it fails, note that and return `otherwise`."""
        try:
            return read()
        except WeedsetError as error:
            self.add_error(error)
            return otherwise

    def add_error(self, error: WeedsetError) -> None:
        """Add an error that was raised about this place."""
        field = error.where.removeprefix(self.file).removeprefix(": ")
        self.add(error.what, field=field, fix=error.fix)


def in_words(finding: Finding) -> str:
    """Return what is wrong and, in brackets, what to do."""
    return f"{finding.what} ({finding.fix})" if finding.fix else finding.what


def in_lines(findings: Iterable[Finding]) -> list[str]:
    """Return a line for each kind of fault: where it is, what is wrong, what to do.

    The same fault in many rows of a file, or in many files, is told once.
    """
    alike: dict[tuple[str, str, str, str], list[Finding]] = {}
    for item in findings:
        kind = item.file if item.row else "", item.field, item.what, item.fix
        alike.setdefault(kind, []).append(item)
    return [_line(group) for group in alike.values()]


def _line(alike: Sequence[Finding]) -> str:
    first, more = alike[0], len(alike) - 1
    place = f"{first.file}: row {first.row}" if first.row else first.file
    if more:
        place += f" and {more} more {'row' if first.row else 'file'}{'s' if more > 1 else ''}"
    return ": ".join(filter(None, [place, first.field, in_words(first)]))


def harmless(text: str) -> str:
    """Return `text` with everything escaped that could steer a terminal, and not too long.

    Control characters, line ends and marks that turn the writing direction are not printable
    in the sense of Unicode, and are shown by number.
    """
    cut = text if len(text) <= _MOST_CHARACTERS else text[:_MOST_CHARACTERS] + "..."
    if cut.isprintable():
        return cut
    return "".join(
        c if c.isprintable() else c.encode("unicode_escape", "surrogatepass").decode() for c in cut
    )
