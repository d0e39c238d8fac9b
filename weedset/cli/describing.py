"""The verb `describe`: who gives a batch, under which licence, and roughly where it is from."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Annotated

import typer

from weedset.cli.door import JsonOption, WorkspaceOption, emit, usage_error
from weedset.cli.options import licence_of
from weedset.contribution.giving import (
    GROUNDS,
    PLACE_DEG,
    Giving,
    Place,
    coarse,
    giving_faults,
    giving_fields,
    giving_path,
    giving_toml,
    site_id,
)
from weedset.digests import write_whole
from weedset.errors import ContributionError
from weedset.findings import in_words
from weedset.labelstore import open_label_store
from weedset.records import Batch
from weedset.settings import open_workspace
from weedset.store import Store
from weedset.talk import say

BatchArgument = Annotated[str, typer.Argument(help="The batch, as `weedset status` names it.")]

#: Which option states each field of the giver's file.
_OPTIONS = {
    "giver": "--giver",
    "credit": "--credit",
    "rightsHolder": "--rights-holder",
    "recordedBy": "--recorded-by",
    "licence": "--licence",
    "licenceNote": "--licence-note",
    "consent": "--consent",
    "countryCode": "--country",
    "stateProvince": "--region",
    "decimalLatitude": "--latitude",
    "decimalLongitude": "--longitude",
    "habitat": "--ground",
}


def describe(
    batch: BatchArgument,
    rights_holder: Annotated[str, typer.Option(help="Who holds the rights in the photos.")],
    consent: Annotated[
        str, typer.Option(help="In your words: that you may give the photos, and agree to it.")
    ],
    giver: Annotated[
        str,
        typer.Option(help="Who gives; a handle will do. As the workspace has it, if not set."),
    ] = "",
    licence: Annotated[
        str,
        typer.Option(
            help="SPDX id; `weedset licences` explains each. As the workspace has it, if not set."
        ),
    ] = "",
    recorded_by: Annotated[
        str | None, typer.Option(help="Who took the photos, if not the giver.")
    ] = None,
    credit: Annotated[
        str, typer.Option(help="How to name you, if not by the giver's handle.")
    ] = "",
    licence_note: Annotated[str, typer.Option(help="The terms, where they are own words.")] = "",
    country: Annotated[str, typer.Option(help="ISO 3166 code, such as DE.")] = "",
    region: Annotated[str, typer.Option(help="A large region, such as a federal state.")] = "",
    latitude: Annotated[
        float | None,
        typer.Option(help="In degrees. Only the middle of its square of 0.1 degrees is kept."),
    ] = None,
    longitude: Annotated[float | None, typer.Option(help="In degrees; likewise.")] = None,
    ground: Annotated[
        str, typer.Option(help=f"What lies around the plants: {', '.join(GROUNDS)}.")
    ] = "",
    again: Annotated[
        bool, typer.Option("--again", help="State all anew, over what was stated before.")
    ] = False,
    workspace: WorkspaceOption = Path(),
    as_json: JsonOption = False,
) -> None:
    """State who gives a batch, under which licence, and roughly where it is from.

    Writes giving/BATCH.toml in the workspace, to be read over and changed, and puts giver
    and licence into the batch where it states none. The site gets a random id: its name
    stays with you. Say of the place what you like, or nothing.

    Example: `weedset describe "long-acre 2026-05-04" --giver anna --rights-holder "Anna B."
    --licence CC-BY-4.0 --consent "I took these photos and give them under this licence."`

    Example: `weedset describe "long-acre 2026-05-04" --giver anna --rights-holder "Anna B."
    --licence CC0-1.0 --consent "I took these photos and give them." --country DE`
    """
    if (latitude is None) != (longitude is None):
        usage_error("--latitude and --longitude go together: give both, or none")
    middle = (_middle(latitude, "--latitude", 90), _middle(longitude, "--longitude", 180))
    room = open_workspace(workspace)
    today = date.today()
    with open_label_store(room) as store:
        found = find_batch(store, batch)
        terms = _settled(found, "licence", licence and licence_of(licence), again)
        who = _settled(found, "giver", giver, again)
        giving = Giving(
            site=site_id(room.root, found.site, today),
            giver=who,
            credit=credit,
            rights_holder=rights_holder,
            recorded_by=recorded_by or who,
            licence=terms,
            licence_note=licence_note,
            consent=consent,
            consent_on=today.isoformat(),
            place=Place(country, region, *middle),
            ground=ground,
        )
        _require_right(giving, today)
        path = giving_path(room.root, found.id)
        _write(path, giving_toml(giving), again)
        store.describe_batch(
            found.id, site=found.site, taken_on=found.taken_on, giver=who, licence=terms
        )
    if as_json:
        emit({"file": str(path), "giving": giving_fields(giving)})
    say(f"Written to {path}. Read it over; it goes into the archive word for word.")


def find_batch(store: Store, name: str) -> Batch:
    """Return a batch by its name. Raises ContributionError, naming those that there are."""
    batches = {batch.id: batch for batch in store.batches()}
    if name not in batches:
        fix = f"there are: {', '.join(batches) or 'none yet'}"
        raise ContributionError(f"{name!r} is no batch of this workspace", fix=fix)
    return batches[name]


def _settled(batch: Batch, name: str, given: str, again: bool) -> str:
    """Return what holds of a fact that both the workspace and an option may state."""
    stated = batch.licence if name == "licence" else batch.giver
    if not (given or stated):
        usage_error(f"--{name} is needed: the workspace states none for {batch.id!r}")
    if given and stated and given != stated and not again:
        raise ContributionError(
            f"--{name} says {given!r}, but the workspace says {stated!r}",
            where=f"batch {batch.id}: {name}",
            fix=f"leave --{name} out, or add --again to state {given!r} in both places",
        )
    return given or stated


def _middle(degrees: float | None, option: str, most: int) -> float | None:
    """Return the middle of the square that a position lies in; leaves if there is none such."""
    if degrees is None:
        return None
    if not abs(degrees) <= most:
        usage_error(f"{option}: {degrees:g} degrees is not between -{most} and {most}")
    return coarse(min(degrees, most - PLACE_DEG / 2))


def _require_right(giving: Giving, today: date) -> None:
    faults = giving_faults(giving, today)
    if faults:
        lines = "".join(f"\n  {_OPTIONS[fault.field]}: {in_words(fault)}" for fault in faults)
        raise ContributionError(f"what is stated cannot be used:{lines}", fix="mend these options")


def _write(path: Path, text: str, again: bool) -> None:
    if not again and path.exists() and path.read_bytes() != text.encode():
        raise ContributionError(
            "is there already, and says something else",
            where=str(path),
            fix="change that file by hand, or write it anew with --again",
        )
    write_whole(path, text)
