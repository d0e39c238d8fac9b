"""Which plant a code means: EPPO codes with names in English, German and Spanish.

The list is weedset/data/species.csv; its README says where the codes come from. None of
them has been checked against EPPO's own database: `Species.code_source` says how far each
can be trusted. `Species.usual_role` is a hint for people; what is a weed is decided by a
garden's policy, never here.

A garden may add plants of its own in a file of the same columns. Their codes begin with
"x-": EPPO codes are capitals and digits, so the two can never collide.
"""

from __future__ import annotations

import csv
import difflib
import io
import re
import unicodedata
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from enum import StrEnum
from functools import cache, cached_property
from importlib import resources
from pathlib import Path

from weedset.errors import LabelError, SettingsError, UnknownSpeciesError
from weedset.fields import Fields, read_text

_COLUMNS = (
    "eppo_code,rank,scientific_name,family,usual_role,name_en,name_de,name_es,aliases,code_source"
)
_EPPO_CODE = re.compile(r"[A-Z]{5}|[0-9][A-Z]{4,5}")
_LOCAL_CODE = re.compile(r"x-[a-z0-9]+(-[a-z0-9]+)*")
_MOST_CHARACTERS = 200  # in one cell of a list, and in what is echoed or compared
_MARKS = str.maketrans({"-": " ", "'": "", "\u2019": "", "×": "x"})
_UMLAUTS = str.maketrans({"ä": "ae", "ö": "oe", "ü": "ue"})


class Rank(StrEnum):
    """A species (or a part of one), or a group of plants that nobody told apart."""

    SPECIES = "species"
    GROUP = "group"


class Role(StrEnum):
    """What a plant usually is in a garden."""

    WEED = "weed"
    CROP = "crop"
    EITHER = "either"


@dataclass(frozen=True, slots=True)
class Species:
    """One plant, or one group of plants; names that are not known are empty."""

    code: str
    rank: Rank
    scientific_name: str
    family: str
    usual_role: Role
    name_en: str
    name_de: str
    name_es: str
    aliases: tuple[str, ...]
    code_source: str


@dataclass(frozen=True)
class SpeciesList(Mapping[str, Species]):
    """The plants that are known, by code."""

    entries: tuple[Species, ...]

    def __getitem__(self, code: str) -> Species:
        return self._by_code[code]

    def __iter__(self) -> Iterator[str]:
        return iter(self._by_code)

    def __len__(self) -> int:
        return len(self.entries)

    @cached_property
    def _by_code(self) -> dict[str, Species]:
        return {entry.code: entry for entry in self.entries}

    @cached_property
    def _by_any_code(self) -> dict[str, Species]:
        return {code.casefold(): entry for entry in self.entries for code in _codes(entry)}

    @cached_property
    def _terms(self) -> tuple[tuple[str, Species], ...]:
        return tuple((term, entry) for entry in self.entries for term in _terms(entry))


def load_species(extra: Path | None = None) -> SpeciesList:
    """Return the shipped list, with the plants of the file `extra` after it.

    Raises SettingsError, naming file, line and column, where `extra` cannot be used.
    """
    shipped = _shipped()
    if extra is None:
        return shipped
    local = _parsed(read_text(extra, SettingsError), str(extra), shipped)
    return SpeciesList(shipped.entries + local)


def is_eppo_code(text: str) -> bool:
    """Tell whether `text` has the form of an EPPO code of a plant or of a group.

    Form: EPPO, "EPPO Codes and EPPT" (2011), five letters for plants, a digit before
    higher taxa and groups.
    """
    return _EPPO_CODE.fullmatch(text) is not None


def is_local_code(text: str) -> bool:
    """Tell whether `text` has the form of a garden's own code, such as x-my-plant."""
    return _LOCAL_CODE.fullmatch(text) is not None


def species(code: str, known: SpeciesList, where: str = "") -> Species:
    """Return the plant of `code`, in whatever case; an outdated code finds the current one.

    Raises UnknownSpeciesError with the nearest codes that are known.
    """
    entry = known._by_any_code.get(code.strip().casefold())
    if entry is None:
        what = f"{code[:_MOST_CHARACTERS]!r} is not the code of a known plant"
        raise UnknownSpeciesError(what, where=where, fix=_hint(code, known))
    return entry


def require_codes(codes: Iterable[str], where: str, known: SpeciesList) -> tuple[str, ...]:
    """Return the current codes of `codes`, in order; `where` names the field they are from.

    Raises UnknownSpeciesError for the first that is unknown, LabelError for the first
    that names a plant again.
    """
    found: dict[str, str] = {}
    for code in codes:
        current = species(code, known, where).code
        if current in found:
            again = f"{code!r} after {found[current]!r}"
            raise LabelError(f"names {current} twice: {again}", where=where, fix="name it once")
        found[current] = code
    return tuple(found)


def search(text: str, known: SpeciesList, limit: int = 20) -> list[Species]:
    """Return up to `limit` plants with a code, name or alias that holds `text`, best first.

    Accents, case, hyphens and apostrophes do not count; "oe" finds "ö". Whole terms come
    first, then beginnings of terms, beginnings of words, other parts; short before long.
    """
    needle = _folded(text)
    if not needle:
        return []
    best: dict[str, tuple[int, int, str]] = {}
    for term, entry in known._terms:
        if needle in term:
            parts = (term == needle, term.startswith(needle), f" {needle}" in term, True)
            score = (parts.index(True), len(term), entry.code)
            best[entry.code] = min(score, best.get(entry.code, score))
    return [known[code] for _, _, code in sorted(best.values())[:limit]]


def named(text: str, known: SpeciesList) -> list[Species]:
    """Return the plants of which `text` is a code, a whole name or an alias."""
    needle = _folded(text[:_MOST_CHARACTERS])
    found = {entry.code: entry for term, entry in known._terms if needle and term == needle}
    return list(found.values())


def _hint(text: str, known: SpeciesList) -> str:
    text = text[:_MOST_CHARACTERS]
    near = search(text, known, 3)
    if not near:
        words = {word: entry for term, entry in known._terms for word in (term, *term.split())}
        close = difflib.get_close_matches(_folded(text), words, 3, cutoff=0.7)
        near = list(dict.fromkeys(words[word] for word in close))
    if near:
        return f"did you mean {' or '.join(f'{e.code} ({_shown_name(e)})' for e in near)}?"
    return "search the species list, or add the plant to your own under a code such as x-my-plant"


def _shown_name(entry: Species) -> str:
    return entry.name_en or entry.scientific_name or entry.name_de or entry.name_es


def _codes(entry: Species) -> list[str]:
    """Return every code that finds `entry`: its own, and the codes among its aliases."""
    old = [alias for alias in entry.aliases if is_eppo_code(alias) or _LOCAL_CODE.fullmatch(alias)]
    return [entry.code, *old]


def _terms(entry: Species) -> Iterable[str]:
    """Return what `entry` can be found by, folded, each once."""
    names = (entry.scientific_name, entry.name_en, entry.name_de, entry.name_es)
    texts = [text.casefold() for text in (entry.code, *names, *entry.aliases) if text]
    texts += [text.translate(_UMLAUTS) for text in texts]
    return dict.fromkeys(_folded(text) for text in texts)


def _folded(text: str) -> str:
    letters = unicodedata.normalize("NFKD", text.casefold().translate(_MARKS))
    return " ".join("".join(c for c in letters if not unicodedata.combining(c)).split())


@cache
def _shipped() -> SpeciesList:
    file = resources.files("weedset") / "data" / "species.csv"
    return SpeciesList(_parsed(file.read_text("utf-8"), "species.csv", None))


def _parsed(text: str, where: str, shipped: SpeciesList | None) -> tuple[Species, ...]:
    """Read a list; a garden's own where there is a shipped one that it must not touch."""
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    taken = dict(shipped._by_any_code) if shipped else {}
    entries: list[Species] = []
    try:
        header = [name.strip() for name in next(reader, [])]
        columns = _COLUMNS.split(",")
        if sorted(header) != sorted(columns):
            odd = ", ".join(sorted(set(columns) ^ set(header))) or "one column twice"
            fix = f"the first line should be {_COLUMNS}"
            what = f"has missing or unknown columns: {odd[:_MOST_CHARACTERS]!r}"
            raise SettingsError(what, where=where, fix=fix)
        for row in filter(None, reader):
            line = f"{where}: line {reader.line_num}"
            entry = _entry(row, header, line, local=shipped is not None)
            for code in _codes(entry):
                holder = taken.setdefault(code.casefold(), entry)
                if holder is not entry:
                    what = f"{code!r} already stands for {holder.code}"
                    raise SettingsError(what, where=line, fix="choose another code or alias")
            entries.append(entry)
    except csv.Error as exc:
        raise SettingsError(f"is not valid CSV: {exc}", where=where) from exc
    return tuple(entries)


def _entry(row: list[str], header: list[str], where: str, *, local: bool) -> Species:
    if len(row) != len(header):
        what = f"has {len(row)} cells, not {len(header)}"
        raise SettingsError(what, where=where, fix='put text that holds a comma in "quotes"')
    cells = {name: cell.strip() for name, cell in zip(header, row, strict=True)}
    fields = Fields(cells, where, SettingsError)
    for name, cell in cells.items():
        if len(cell) > _MOST_CHARACTERS or not cell.isprintable():
            what = f"is longer than {_MOST_CHARACTERS} characters or holds unprintable ones"
            raise fields.complaint(name, what)
    code = cells["eppo_code"]
    if local and not (_LOCAL_CODE.fullmatch(code) and cells["code_source"] == "local"):
        fix = "write a code such as x-my-plant, and local as code_source"
        raise fields.complaint("eppo_code", f"{code!r} is not a code of your own", fix)
    entry = Species(
        code=code,
        rank=Rank(fields.choice("rank", list(Rank))),
        scientific_name=cells["scientific_name"],
        family=cells["family"],
        usual_role=Role(fields.choice("usual_role", list(Role))),
        name_en=cells["name_en"],
        name_de=cells["name_de"],
        name_es=cells["name_es"],
        aliases=tuple(filter(None, (alias.strip() for alias in cells["aliases"].split(";")))),
        code_source=cells["code_source"],
    )
    if not _shown_name(entry):
        raise fields.complaint("name_en", "is blank, and so is every other name")
    return entry
