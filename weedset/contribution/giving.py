"""Who gives a batch, under which terms, and what they say about it: one record, one check.

A giver writes these facts into a TOML file (`weedset describe` does it for them); they
travel in the archive as JSON. Names are Darwin Core terms where there is one.
"""

from __future__ import annotations

import json
import math
import re
import secrets
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

from weedset.errors import ContributionError, LicenceError
from weedset.fields import FORMULA_SIGNS, Fields, read_toml
from weedset.findings import Finding, Findings, Spot, in_words
from weedset.labelling import UNNAMED
from weedset.licences import OWN_TERMS, require_licence

#: Side of the square to which a position is rounded, in degrees.
PLACE_DEG = 0.1

#: What the ground of a site can be said to be.
GROUNDS = ("bare soil", "mulch", "grass", "gravel")

_SITE = re.compile(r"s-[0-9a-f]{16}")
_COUNTRY = re.compile(r"[A-Z]{2}")
_LONG = 2_000
_SHORT = 120
_EARTH_MM_PER_DEG = 111_320_000.0  # at the equator; WGS 84, rounded


@dataclass(frozen=True, slots=True)
class Place:
    """Where a site is, coarsely; empty or None where the giver does not say.

    `latitude_deg`, `longitude_deg` are the middle of a square of 0.1 degrees.
    """

    country_code: str = ""
    region: str = ""
    latitude_deg: float | None = None
    longitude_deg: float | None = None


@dataclass(frozen=True, slots=True)
class Giving:
    """What the giver of a batch states.

    `site` is a random id; `giver` a handle; `credit` how to be named; `recorded_by` took
    the photos; `licence` an SPDX id, with `licence_note` where the words are the owner's.
    `ground` is what grows or lies around the plants, one of GROUNDS, "" where not said.
    """

    site: str
    giver: str
    credit: str
    rights_holder: str
    recorded_by: str
    licence: str
    licence_note: str
    consent: str
    consent_on: str
    place: Place
    ground: str = ""


def draw_site_id() -> str:
    """Return a new random id for a site: its name stays at home."""
    return f"s-{secrets.token_hex(8)}"


def coarse(degrees: float) -> float:
    """Return the middle of the square of 0.1 degrees in which `degrees` lies."""
    return round((math.floor(round(degrees / PLACE_DEG, 6)) + 0.5) * PLACE_DEG, 2)


def place_uncertainty_m(place: Place) -> int | None:
    """Return half the diagonal of the place's square in metres, at the equator the most."""
    if place.latitude_deg is None:
        return None
    north = PLACE_DEG / 2 * _EARTH_MM_PER_DEG / 1000
    east = north * math.cos(math.radians(place.latitude_deg))
    return math.ceil(math.hypot(north, east))


def read_giving(path: Path, today: date) -> Giving:
    """Read the giver's file. Raises ContributionError naming every field that is wrong."""
    fields = read_toml(path, ContributionError)
    found = Findings()
    giving = giving_from(fields, found.at(str(path)), today)
    if found.count:
        lines = [f"{item.field}: {in_words(item)}" for item in found.shown]
        raise ContributionError(
            "cannot be used:\n  " + "\n  ".join(lines), where=str(path), fix="mend these fields"
        )
    return giving


def giving_faults(giving: Giving, today: date) -> list[Finding]:
    """Return what is wrong with these facts, by the names under which they are written."""
    found = Findings()
    fields = Fields(giving_fields(giving), "given", ContributionError)
    giving_from(fields, found.at("given"), today)
    return found.shown


def giving_from(fields: Fields, spot: Spot, today: date) -> Giving:
    """Read a table of giving facts, noting at `spot` each field that is wrong."""

    def read(get: Callable[[], str], name: str, *, needed: bool = True) -> str:
        if not needed and name not in fields:
            fields.knows(name)
            return ""
        return spot.attempt(get, "")

    def plain(name: str, most: int = _SHORT, *, needed: bool = True) -> str:
        return read(lambda: plain_text(fields, name, most), name, needed=needed)

    licence = read(lambda: _licence(fields), "licence")
    giving = Giving(
        site=read(lambda: _shaped(fields, "site", _SITE, "a random id such as s-0123456789abcdef"),
                  "site"),
        giver=read(lambda: _giver(fields), "giver"),
        credit=plain("credit", needed=False),
        rights_holder=plain("rightsHolder"),
        recorded_by=plain("recordedBy"),
        licence=licence,
        licence_note=plain("licenceNote", _LONG, needed=licence == OWN_TERMS),
        consent=plain("consent", _LONG),
        consent_on=read(lambda: past_day(fields, "consentOn", today), "consentOn"),
        place=_place(fields, spot),
        ground=read(lambda: fields.choice("habitat", GROUNDS), "habitat", needed=False),
    )  # fmt: skip
    with spot.catching():
        fields.done()
    return giving


def _giver(fields: Fields) -> str:
    giver = plain_text(fields, "giver", _SHORT)
    if giver.casefold() == UNNAMED:
        raise fields.complaint("giver", f"{giver!r} names nobody: give a handle")
    return giver


def _place(fields: Fields, spot: Spot) -> Place:
    def shaped() -> str:
        return _shaped(fields, "countryCode", _COUNTRY, "two capitals of ISO 3166, such as DE")

    country = region = ""
    latitude = longitude = None
    fields.knows("countryCode", "stateProvince", "decimalLatitude", "decimalLongitude")
    if "countryCode" in fields:
        country = spot.attempt(shaped, "")
    if "stateProvince" in fields:
        region = spot.attempt(lambda: plain_text(fields, "stateProvince", _SHORT), "")
    if "decimalLatitude" in fields or "decimalLongitude" in fields:
        latitude = _middle(fields, spot, "decimalLatitude", 90)
        longitude = _middle(fields, spot, "decimalLongitude", 180)
    return Place(country, region, latitude, longitude)


def plain_text(fields: Fields, name: str, most: int) -> str:
    """Return a text that is safe to print, to put on a page and to open in a spreadsheet.

    Raises the error of `fields` for control characters, angle brackets, a first character
    that a spreadsheet takes for a formula, blanks at the ends, or too great a length.
    """
    text = fields.text(name)
    if len(text) > most:
        raise fields.complaint(name, f"is longer than {most} characters")
    if not text.isprintable() or "<" in text or ">" in text:
        what = "holds control characters or angle brackets"
        raise fields.complaint(name, what, "write it in plain letters")
    if text[0] in FORMULA_SIGNS or text != text.strip():
        what = "begins with one of = + - @, or with or ends in a blank"
        raise fields.complaint(name, what, "begin with a letter or a digit")
    return text


def past_day(fields: Fields, name: str, today: date) -> str:
    """Return a date as YYYY-MM-DD that lies between 1990 and today.

    A day of slack is given, since somewhere it is tomorrow already.
    """
    text = fields.text(name)
    try:
        day = date.fromisoformat(text)
    except ValueError:
        day = None
    if day is None or day.isoformat() != text:
        raise fields.complaint(name, f"{text[:40]!r} is no date such as 2026-05-04")
    if day > today + timedelta(days=1):
        raise fields.complaint(name, f"{text} lies in the future", "mend the date")
    if day.year < 1990:
        raise fields.complaint(name, f"{text} is before there were such cameras", "mend the date")
    return text


def _licence(fields: Fields) -> str:
    text = fields.text("licence")
    try:
        licence = require_licence(text, "")
    except LicenceError as error:
        raise fields.complaint("licence", error.what, error.fix) from error
    if licence.admission == "refused":
        raise fields.complaint(
            "licence", f"{licence.id} is refused: {licence.reason}", "choose one that lets changes"
        )
    return licence.id


def _shaped(fields: Fields, name: str, shape: re.Pattern[str], meaning: str) -> str:
    text = fields.text(name)
    if shape.fullmatch(text) is None:
        raise fields.complaint(name, f"{text[:40]!r} is not {meaning}")
    return text


def _middle(fields: Fields, spot: Spot, name: str, most: float) -> float | None:
    def read() -> float | None:
        degrees = fields.number(name, above=-most, below=most)
        if abs(coarse(degrees) - degrees) > 1e-9:
            what = f"{degrees:g} is finer than a square of {PLACE_DEG:g} degrees"
            raise fields.complaint(name, what, f"write its middle, {coarse(degrees):g}")
        return degrees

    return spot.attempt(read, None)


def giving_fields(giving: Giving) -> dict[str, str | float]:
    """Return the facts by the names under which they are written; what is not said is left out."""
    place = giving.place
    named: dict[str, str | float | None] = {
        "site": giving.site,
        "giver": giving.giver,
        "credit": giving.credit,
        "rightsHolder": giving.rights_holder,
        "recordedBy": giving.recorded_by,
        "licence": giving.licence,
        "licenceNote": giving.licence_note,
        "consent": giving.consent,
        "consentOn": giving.consent_on,
        "countryCode": place.country_code,
        "stateProvince": place.region,
        "decimalLatitude": place.latitude_deg,
        "decimalLongitude": place.longitude_deg,
        "habitat": giving.ground,
    }
    return {name: value for name, value in named.items() if value not in ("", None)}


def giving_toml(giving: Giving) -> str:
    """Return the giver's file. A JSON text is a TOML text too, as long as it is one line."""
    lines = [
        f"{name} = {json.dumps(value, ensure_ascii=False)}\n"
        for name, value in giving_fields(giving).items()
    ]
    head = (
        "# What goes into the archive about you and your site, beside tiles and labels.\n"
        "# Names are Darwin Core terms where there is one. Change what is wrong.\n"
    )
    return head + "".join(lines)


def giving_path(root: Path, batch: str) -> Path:
    """Return where a workspace keeps what the giver states about a batch."""
    return root / "giving" / f"{batch}.toml"


def site_id(root: Path, site: str, today: date) -> str:
    """Return the random id of a site: that of its other batches, or else a new one.

    Raises ContributionError where the file of another batch cannot be used.
    """
    for path in sorted((root / "giving").glob("*.toml")):
        if path.stem.rpartition(" ")[0] == site:
            return read_giving(path, today).site
    return draw_site_id()
