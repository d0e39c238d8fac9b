"""Reading the tables of files that people or strangers wrote, field by field.

The board reads camera profiles, policies and model cards with nothing but the
standard library, so this is plain Python and the only such reader in weedset.
"""

from __future__ import annotations

import difflib
import errno
import json
import math
import stat
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path

from weedset.errors import WeedsetError, why_unreadable

#: A text that begins with one of these is a formula to spreadsheets.
FORMULA_SIGNS = "=+-@"

#: A name of so many parts takes the reader of TOML for ever.
_MOST_DOTS = 500


class Fields:
    """One table, read field by field; what is left unread at `done()` is a mistake.

    Every complaint names the file and the field (`where`) and is of the kind `error`.
    """

    def __init__(
        self, table: object, where: str, error: type[WeedsetError], path: str = ""
    ) -> None:
        if not isinstance(table, Mapping):
            raise error("should be a table of fields", where=f"{where}: {path}" if path else where)
        self._table: Mapping[str, object] = table
        self._where = where
        self._error = error
        self._path = path
        self._known: list[str] = []

    def __contains__(self, name: str) -> bool:
        return self._table.get(name) is not None

    def complaint(self, name: str, what: str, fix: str = "") -> WeedsetError:
        """Return the error to raise about the field `name`."""
        return self._error(what, where=f"{self._where}: {self._dotted(name)}", fix=fix)

    def number(
        self,
        name: str,
        *,
        above: float = -math.inf,
        least: float = -math.inf,
        below: float = math.inf,
        most: float = math.inf,
    ) -> float:
        """Return a finite number with `above < number < below`, `least <= number <= most`."""
        value = self._required(name)
        if isinstance(value, bool) or not isinstance(value, int | float) or not _finite(value):
            raise self.complaint(name, f"should be a number, not {_shown(value)}")
        if not (above < value < below and least <= value <= most):
            raise self.complaint(name, f"is {value:.9g}, {_range(above, least, below, most)}")
        return float(value)

    def whole(self, name: str, *, least: int, most: int) -> int:
        """Return a whole number with `least <= number <= most`."""
        value = self.number(name, least=least, most=most)
        if value != int(value):
            raise self.complaint(name, f"should be a whole number, not {value:g}")
        return int(value)

    def text(self, name: str) -> str:
        """Return a text that is not blank."""
        value = self._required(name)
        if not isinstance(value, str) or not value.strip():
            raise self.complaint(name, f"should be a text, not {_shown(value)}")
        return value

    def choice(self, name: str, choices: Sequence[str]) -> str:
        """Return a text that is one of `choices`."""
        value = self.text(name)
        if value not in choices:
            near = difflib.get_close_matches(value, choices, 1)
            hint = f"did you mean {near[0]!r}?" if near else ""
            raise self.complaint(name, f"is {value!r}, not one of {', '.join(choices)}", hint)
        return value

    def truth(self, name: str) -> bool:
        """Return true or false."""
        value = self._required(name)
        if not isinstance(value, bool):
            raise self.complaint(name, f"should be true or false, not {_shown(value)}")
        return value

    def texts(self, name: str) -> tuple[str, ...]:
        """Return a list of texts, possibly empty."""
        value = self._required(name)
        if not isinstance(value, list) or not all(isinstance(item, str) for item in value):
            raise self.complaint(name, "should be a list of texts")
        return tuple(value)

    def numbers(self, name: str, *, least: float, most: float) -> tuple[float, ...]:
        """Return a list of numbers, each with `least <= number <= most`."""
        value = self._required(name)
        if not isinstance(value, list):
            raise self.complaint(name, "should be a list of numbers")
        items = Fields(
            {str(i): item for i, item in enumerate(value)},
            self._where,
            self._error,
            self._dotted(name),
        )
        return tuple(items.number(str(i), least=least, most=most) for i in range(len(value)))

    def number_lists(
        self, name: str, *, least: float, most: float
    ) -> tuple[tuple[float, ...], ...]:
        """Return a list of lists of numbers, each with `least <= number <= most`."""
        value = self._required(name)
        if not isinstance(value, list):
            raise self.complaint(name, "should be a list of lists of numbers")
        items = Fields(
            {str(i): item for i, item in enumerate(value)},
            self._where,
            self._error,
            self._dotted(name),
        )
        return tuple(items.numbers(str(i), least=least, most=most) for i in range(len(value)))

    def table(self, name: str) -> Fields:
        """Return the table under `name`."""
        return Fields(self._required(name), self._where, self._error, self._dotted(name))

    def tables(self, name: str) -> list[Fields]:
        """Return the list of tables under `name`."""
        value = self._required(name)
        if not isinstance(value, list):
            raise self.complaint(name, "should be a list of tables")
        return [
            Fields(item, self._where, self._error, f"{self._dotted(name)}[{i}]")
            for i, item in enumerate(value)
        ]

    def raw(self, name: str) -> object:
        """Return what stands under `name`, unread: None where nothing does."""
        self._known.append(name)
        return self._table.get(name)

    def names(self) -> tuple[str, ...]:
        """Return the names of all fields, for tables whose names are data."""
        return tuple(self._table)

    def done(self) -> None:
        """Complain about the first field that nothing has asked for: probably a misspelling."""
        for name in self._table:
            if name not in self._known:
                near = difflib.get_close_matches(name, self._known, 1)
                hint = (
                    f"did you mean {near[0]!r}?"
                    if near
                    else f"known: {', '.join(dict.fromkeys(self._known))}"
                )
                raise self.complaint(name, "is not a known field", hint)

    def knows(self, *names: str) -> None:
        """Declare optional fields, so that `done()` accepts them where nothing read them."""
        self._known.extend(names)

    def _required(self, name: str) -> object:
        self._known.append(name)
        value = self._table.get(name)
        if value is None:
            raise self.complaint(name, "is missing")
        return value

    def _dotted(self, name: str) -> str:
        return f"{self._path}.{name}" if self._path else name


def read_toml(path: Path, error: type[WeedsetError]) -> Fields:
    """Read a TOML file.

    Raises `error` where the file is absent, not UTF-8, or not TOML.
    """
    text = read_text(path, error)
    if any(line.count(".") > _MOST_DOTS for line in text.splitlines()):
        raise error(f"has a line with more than {_MOST_DOTS} dots", where=str(path))
    try:
        table = tomllib.loads(text)
    except (ValueError, RecursionError) as exc:
        raise error(f"is not valid TOML: {_why(exc)}", where=str(path)) from exc
    return Fields(table, str(path), error)


def _why(exc: ValueError | RecursionError) -> str:
    """Return why a text is neither TOML nor JSON: Python's own limits in words for people."""
    if isinstance(exc, RecursionError):
        return "it is nested too deep"
    return "a number has too many digits" if "integer string conversion" in str(exc) else str(exc)


def parse_json(text: str, where: str, error: type[WeedsetError]) -> Fields:
    """Parse a JSON object; raises `error` where it is none, or says a thing twice."""
    try:
        table = json.loads(text, object_pairs_hook=_each_once)
    except (ValueError, RecursionError) as exc:
        raise error(f"is not valid JSON: {_why(exc)}", where=where) from exc
    return Fields(table, where, error)


def _each_once(pairs: list[tuple[str, object]]) -> dict[str, object]:
    """Return a table; of two values under one name two programs would read two things."""
    table = dict(pairs)
    if len(table) < len(pairs):
        names = [name for name, _ in pairs]
        twice = next(name for name in names if names.count(name) > 1)
        raise ValueError(f"it says {_shown(twice)} twice")
    return table


def read_text(path: Path, error: type[WeedsetError]) -> str:
    """Read a UTF-8 text file; raises `error` where that cannot be done."""
    try:
        require_file(path)
        return path.read_text("utf-8-sig")
    except FileNotFoundError as exc:
        raise error("there is no such file", where=str(path)) from exc
    except UnicodeDecodeError as exc:
        raise error(
            "is not UTF-8 text",
            where=str(path),
            fix="name a text file; if this is one, save it as UTF-8",
        ) from exc
    except OSError as exc:
        raise error(why_unreadable(exc), where=str(path)) from exc


def require_file(path: Path) -> None:
    """See that a path is a file, or a pipe such as a shell gives, and nothing without an end.

    Raises OSError.
    """
    mode = path.stat().st_mode
    if not (stat.S_ISREG(mode) or stat.S_ISFIFO(mode) or stat.S_ISDIR(mode)):
        raise OSError(errno.EINVAL, "it is no file", str(path))


def _finite(value: float) -> bool:
    try:
        return math.isfinite(value)
    except OverflowError:  # a whole number beyond what a float holds
        return False


def _shown(value: object) -> str:
    text = repr(value)
    return text if len(text) <= 40 else text[:37] + "..."


def _range(above: float, least: float, below: float, most: float) -> str:
    low = [f"above {above:.9g}"] if above > -math.inf else []
    low += [f"at least {least:.9g}"] if least > -math.inf else []
    high = [f"below {below:.9g}"] if below < math.inf else []
    high += [f"at most {most:.9g}"] if most < math.inf else []
    return "should be " + " and ".join(low + high)
