"""The card of a contribution: what it is, for people."""

from __future__ import annotations

from collections.abc import Mapping

from weedset.contribution.batch import Contribution, batch_id
from weedset.contribution.giving import Place
from weedset.licences import require_licence
from weedset.markdown import plain


def card_text(whole: Contribution, tiles_with: Mapping[str, int]) -> str:
    """Return the card in Markdown; `tiles_with` counts the tiles that show each species."""
    giving, contents = whole.giving, whole.contents
    licence = require_licence(giving.licence, "")
    rows = "".join(
        f"| {entry.code} | {plain(entry.scientific_name)} | {plain(entry.name_en)} "
        f"| {'yes' if entry.code in whole.looked_for else 'no'} "
        f"| {tiles_with.get(entry.code, 0)} |\n"
        for entry in whole.species
    )
    note = f"\nIn the owner's words: {plain(giving.licence_note)}\n" if giving.licence_note else ""
    return f"""# Labelled ground cells, {batch_id(whole)}

{contents.tiles} labelled tiles of {whole.cell_mm:g} mm ground cells ({whole.tile_px} px) from
{contents.photos} photos of one site, taken on {whole.taken_on}. {_extras(whole)}

- Given by: {plain(giving.credit or giving.giver)}
- Rights: {plain(giving.rights_holder)}
- Licence: {licence.id}. {licence.sentence} {licence.url}
- Photos by: {plain(giving.recorded_by)}
- Labels by: {plain(", ".join(whole.annotators))}
- Consent, {giving.consent_on}: {plain(giving.consent)}
- Place: {_place(giving.place)}
- Ground: {giving.ground or "not said"}
{note}
| code | scientific name | name | looked for | tiles |
|--|--|--|--|--|
{rows}
A tile may show several plants. That a species is not named counts as absence only where
it was looked for. Names of files, hours, positions and camera numbers stayed with the giver.

Labels are one person's opinion. Nothing here says that a plant may be treated or eaten.
"""


def _extras(whole: Contribution) -> str:
    contents = whole.contents
    parts = []
    if contents.whole_photos:
        parts.append(f"The {contents.whole_photos} photos are here as a whole too.")
    if contents.loose:
        parts.append(f"{contents.loose} pictures of unknown scale are kept apart.")
    return " ".join(parts)


def _place(place: Place) -> str:
    parts = [plain(place.region), place.country_code]
    if place.latitude_deg is not None and place.longitude_deg is not None:
        parts.append(
            f"somewhere in the square of 0.1 degrees around {place.latitude_deg:g}, "
            f"{place.longitude_deg:g}"
        )
    return ", ".join(filter(None, parts)) or "not said"
