"""What a contribution says of itself as a whole: data/batch.json."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date
from functools import cached_property

from weedset.contribution.giving import (
    Giving,
    giving_fields,
    giving_from,
    past_day,
    place_uncertainty_m,
    plain_text,
)
from weedset.contribution.layout import MOST_PHOTOS, SCHEMA, VERSION
from weedset.errors import ContributionError
from weedset.fields import Fields
from weedset.findings import Spot
from weedset.labelling import UNNAMED
from weedset.licences import require_licence
from weedset.taxonomy import Rank, Role, Species, SpeciesList, is_eppo_code, is_local_code

_BATCH_ID = re.compile(r"s-[0-9a-f]{16}-[0-9]{4}-[0-9]{2}-[0-9]{2}")
_MOST_CODES = 1_000

#: In place of a number that a contribution should state and does not.
UNSTATED = -1


@dataclass(frozen=True, slots=True)
class Contents:
    """How many things a contribution holds. `photos` counts rows, `whole_photos` pictures."""

    tiles: int
    photos: int
    whole_photos: int
    loose: int


@dataclass(frozen=True)
class Contribution:
    """What a contribution says of itself as a whole (data/batch.json)."""

    taken_on: str
    giving: Giving
    cell_mm: float
    tile_px: int
    looked_for: tuple[str, ...]
    annotators: tuple[str, ...]
    species: tuple[Species, ...]
    contents: Contents

    @cached_property
    def codes(self) -> frozenset[str]:
        """The codes of its species."""
        return frozenset(entry.code for entry in self.species)


def batch_id(contribution: Contribution) -> str:
    """Return the id under which a batch is known to others: site and day, no names."""
    return f"{contribution.giving.site}-{contribution.taken_on}"


def is_batch_id(text: str) -> bool:
    """Tell whether `text` has the form of a batch id."""
    return _BATCH_ID.fullmatch(text) is not None


def contribution_table(contribution: Contribution) -> dict[str, object]:
    """Return what data/batch.json says."""
    giving = contribution.giving
    licence = require_licence(giving.licence, "")
    cell_mm = contribution.cell_mm
    withheld = "names of files and of the site; hour; camera serial number; exact position"
    table: dict[str, object] = {
        "schema": SCHEMA,
        "version": VERSION,
        "eventID": batch_id(contribution),
        "eventDate": contribution.taken_on,
        "basisOfRecord": "HumanObservation",
        "samplingProtocol": f"photos straight down, cut into ground cells of {cell_mm:g} mm",
        "sampleSizeValue": cell_mm * cell_mm,
        "sampleSizeUnit": "square millimetre",
        "informationWithheld": withheld,
        "cell_mm": cell_mm,
        "tile_px": contribution.tile_px,
        "looked_for": list(contribution.looked_for),
        "annotators": list(contribution.annotators),
        "species": [
            {
                "code": entry.code,
                "taxonRank": entry.rank,
                "scientificName": entry.scientific_name,
                "family": entry.family,
                "vernacularName": entry.name_en,
            }
            for entry in contribution.species
        ],
        "tiles": contribution.contents.tiles,
        "photos": contribution.contents.photos,
        "whole_photos": contribution.contents.whole_photos,
        "loose": contribution.contents.loose,
        "giving": giving_fields(giving),
    }
    if licence.url:
        table["license"] = licence.url
    if giving.place.latitude_deg is not None:
        table["geodeticDatum"] = "WGS84"
        table["coordinateUncertaintyInMeters"] = place_uncertainty_m(giving.place)
        table["dataGeneralizations"] = "position rounded to the middle of a square of 0.1 degrees"
    return table


_DERIVED = (
    "basisOfRecord", "samplingProtocol", "sampleSizeValue", "sampleSizeUnit",
    "informationWithheld", "license", "geodeticDatum", "coordinateUncertaintyInMeters",
    "dataGeneralizations",
)  # fmt: skip


def contribution_from(
    fields: Fields, known: SpeciesList, today: date, spot: Spot
) -> Contribution | None:
    """Read data/batch.json, noting at `spot` each field that is wrong.

    None where it is of another schema or a newer version, so that nothing can be said.
    """
    before = spot.findings.count
    if not _right_version(fields, spot):
        return None

    def names(name: str) -> tuple[str, ...]:
        return spot.attempt(lambda: _names(fields, name), ())

    def size(name: str, least: int, most: int) -> int:
        return spot.attempt(lambda: fields.whole(name, least=least, most=most), UNSTATED)

    nowhere = Fields({}, spot.file, ContributionError, "giving")
    giving_table = spot.attempt(lambda: fields.table("giving"), nowhere)
    contribution = Contribution(
        taken_on=spot.attempt(lambda: past_day(fields, "eventDate", today), ""),
        giving=giving_from(giving_table, spot, today),
        cell_mm=spot.attempt(lambda: fields.number("cell_mm", least=1, most=10_000), 1.0),
        tile_px=size("tile_px", 16, 1024),
        looked_for=names("looked_for"),
        annotators=names("annotators"),
        species=_species(fields, known, spot),
        contents=Contents(
            tiles=size("tiles", 0, 10_000_000),
            photos=size("photos", 0, MOST_PHOTOS),
            whole_photos=size("whole_photos", 0, MOST_PHOTOS),
            loose=size("loose", 0, 999_999),
        ),
    )
    for code in contribution.looked_for:
        if code not in contribution.codes:
            spot.add(f"{code!r} is not among the species", field="looked_for")
    if not contribution.looked_for:
        what = "is empty: say which species were looked for"
        spot.add(what, field="looked_for", fix="absence counts only for these")
    fields.knows("eventID", *_DERIVED)
    with spot.catching():
        fields.done()
    if spot.findings.count == before:
        _compare_derived(fields, contribution, spot)
    return contribution


def _right_version(fields: Fields, spot: Spot) -> bool:
    schema = spot.attempt(lambda: fields.choice("schema", (SCHEMA,)), "")
    version = spot.attempt(lambda: fields.whole("version", least=1, most=10**6), 0)
    if version > VERSION:
        what = f"is {version}, newer than this weedset knows ({VERSION})"
        spot.add(what, field="version", fix="install a newer weedset")
    return schema == SCHEMA and version == VERSION


def _compare_derived(fields: Fields, contribution: Contribution, spot: Spot) -> None:
    """Note what does not follow from the rest, though it should."""
    should = contribution_table(contribution)
    for name in ("eventID", *_DERIVED):
        if fields.raw(name) != should.get(name):
            spot.add(f"should be {should.get(name)!r}", field=name, fix="pack it again")


def _names(fields: Fields, name: str) -> tuple[str, ...]:
    listed = fields.texts(name)
    if len(listed) > _MOST_CODES or len(set(listed)) < len(listed):
        raise fields.complaint(name, f"names one twice, or more than {_MOST_CODES}")
    for text in listed:
        try:
            plain_text(Fields({name: text}, "", ContributionError), name, 120)
        except ContributionError as error:
            raise fields.complaint(name, f"{text[:40]!r} {error.what}") from error
        if name == "annotators" and text.casefold() == UNNAMED:
            raise fields.complaint(name, f"{text!r} names nobody", "give the giver's handle")
    return listed


def _species(fields: Fields, known: SpeciesList, spot: Spot) -> tuple[Species, ...]:
    tables: list[Fields] = spot.attempt(lambda: fields.tables("species"), [])
    if len(tables) > _MOST_CODES:
        spot.add(f"are more than {_MOST_CODES}", field="species")
        tables = tables[:_MOST_CODES]
    entries: dict[str, Species] = {}
    for table in tables:
        with spot.catching():
            entry = _one_species(table, known)
            if entry.code in entries:
                raise table.complaint("code", f"{entry.code} is there twice")
            entries[entry.code] = entry
    return tuple(entries.values())


def _one_species(table: Fields, known: SpeciesList) -> Species:
    code = table.text("code")
    texts = {}
    for name in ("scientificName", "family", "vernacularName"):
        table.knows(name)
        texts[name] = "" if table.raw(name) == "" else plain_text(table, name, 200)
    rank = Rank(table.choice("taxonRank", tuple(Rank)))
    table.done()
    if code in known:
        entry, name = known[code], texts["scientificName"]
        if name not in ("", entry.scientific_name, *entry.aliases):
            what = f"{name!r} is not the plant of {code} ({entry.scientific_name})"
            raise table.complaint("scientificName", what, "find out which of the two is meant")
        return entry
    if not is_local_code(code):
        what = f"{code[:20]!r} is not the code of a known plant"
        shape = "has" if is_eppo_code(code) else "has not even"
        raise table.complaint(
            "code", f"{what} (it {shape} the form of an EPPO code)",
            "give a plant that is not in the list a code of your own, such as x-my-plant",
        )  # fmt: skip
    if not (texts["scientificName"] or texts["vernacularName"]):
        raise table.complaint("scientificName", f"is empty, and so is the other name of {code}")
    return Species(
        code=code,
        rank=rank,
        scientific_name=texts["scientificName"],
        family=texts["family"],
        usual_role=Role.EITHER,
        name_en=texts["vernacularName"],
        name_de="",
        name_es="",
        aliases=(),
        code_source="local",
    )
