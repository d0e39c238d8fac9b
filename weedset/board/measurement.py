"""A board's own speed as a record to keep and to hand over: what `check --json` writes.

It names the processor, but holds nothing by which one computer, its owner or its place could be
told: no names, serial numbers, addresses, paths or dates.
"""

from __future__ import annotations

from dataclasses import asdict

from weedset.board.fitness import Fitness
from weedset.board.machine import Machine
from weedset.board.speeds import Expected
from weedset.errors import MeasurementError
from weedset.fields import Fields, parse_json

#: Raised when a record no longer means what it meant.
SCHEMA = 1

_MOST_TEXT = 200
_HEX = frozenset("0123456789abcdef")


def check_record(found: Fitness) -> dict[str, object]:
    """Return what a check found as a record for JSON."""
    return {"record": "check", "schema": SCHEMA, **asdict(found)}


def read_measurement(text: str, where: str) -> Fitness:
    """Read a record as `check_record` makes them; `where` names its file.

    Raises MeasurementError, naming the field, for what is missing, unknown or absurd.
    """
    fields = parse_json(text, where, MeasurementError)
    fields.choice("record", ("check",))
    schema = fields.whole("schema", least=1, most=1_000_000)
    if schema != SCHEMA:
        fix = "measure again, with this version of weedset"
        raise fields.complaint("schema", f"is {schema}, this version reads {SCHEMA}", fix)
    parts = fields.table("parts_ms")
    versions = fields.table("versions")
    found = Fitness(
        photos=fields.whole("photos", least=1, most=1_000_000_000),
        cells=fields.whole("cells", least=1, most=1_000_000),
        parts_ms={name: _ms(parts, name) for name in parts.names()},
        photo_ms=_ms(fields, "photo_ms"),
        photos_per_s=fields.number("photos_per_s", above=0, most=1e6),
        most_mm_per_s=fields.number("most_mm_per_s", above=0, most=1e9),
        peak_mb=fields.number("peak_mb", above=0, most=1e6),
        hottest_c=_perhaps(fields, "hottest_c", -100, 300),
        fit=fields.truth("fit"),
        warnings=fields.texts("warnings"),
        width_px=fields.whole("width_px", least=1, most=1_000_000),
        height_px=fields.whole("height_px", least=1, most=1_000_000),
        made_up=fields.truth("made_up"),
        threads=fields.whole("threads", least=1, most=1024),
        model_digest=_digest(fields, "model_digest"),
        model_mmac=_perhaps(fields, "model_mmac", 0, 1e6),
        machine=_read_machine(fields.table("machine")),
        versions={name: _short(versions, name) for name in versions.names()},
        expected=_read_expected(fields.table("expected")) if "expected" in fields else None,
    )
    fields.knows("expected")
    fields.done()
    return found


def _read_machine(fields: Fields) -> Machine:
    machine = Machine(
        processor=_short(fields, "processor"),
        cores=fields.whole("cores", least=1, most=1024),
        clock_mhz=_perhaps(fields, "clock_mhz", 1, 100_000),
        memory_mb=_perhaps(fields, "memory_mb", 1, 1e9),
        bits=fields.whole("bits", least=32, most=64),
    )
    fields.done()
    return machine


def _read_expected(fields: Fields) -> Expected:
    found = Expected(*(_ms(fields, name) for name in ("least_ms", "about_ms", "most_ms")))
    fields.done()
    return found


def _ms(fields: Fields, name: str) -> float:
    return fields.number(name, least=0, most=1e8)


def _perhaps(fields: Fields, name: str, least: float, most: float) -> float | None:
    fields.knows(name)
    return fields.number(name, least=least, most=most) if name in fields else None


def _short(fields: Fields, name: str) -> str:
    text = fields.text(name)
    if len(text) > _MOST_TEXT or not text.isprintable():
        raise fields.complaint(name, f"should be at most {_MOST_TEXT} plain letters")
    return text


def _digest(fields: Fields, name: str) -> str:
    text = fields.text(name)
    if len(text) != 64 or not set(text) <= _HEX:
        raise fields.complaint(name, "should be a SHA-256, 64 hexadecimal digits")
    return text
