"""Options that several verbs share, and what their words must be like."""

from __future__ import annotations

import re
from datetime import date
from pathlib import Path
from typing import Annotated

import typer

from weedset.cli.door import usage_error
from weedset.errors import LicenceError
from weedset.licences import require_licence
from weedset.taxonomy import SpeciesList, require_codes

_SITE = re.compile(r"[\w][\w .-]{0,59}")

SpeciesOption = Annotated[
    Path | None, typer.Option("--species", help="Your own species list, beside the shipped one.")
]
LookedForOption = Annotated[
    str,
    typer.Option(
        help="The checklist: EPPO codes of all species that were looked for, with commas. "
        "Absence counts only for these."
    ),
]
AnnotatorOption = Annotated[str, typer.Option(help="Who made these labels; a handle will do.")]


def require_site(site: str) -> None:
    """Leave with a usage error where `site` is no name of a site."""
    if not _SITE.fullmatch(site):
        usage_error("--site: letters, digits, blanks, dots and dashes, at most 60")


def licence_of(text: str) -> str:
    """Return the SPDX id given with --licence; leaves with a usage error if it is none."""
    try:
        return require_licence(text, "--licence").id
    except LicenceError as error:
        usage_error(f"{error}; {error.fix}")


def day_of(text: str) -> str:
    """Return the day given with --on, as YYYY-MM-DD; leaves with a usage error if it is none."""
    try:
        return date.fromisoformat(text).isoformat()
    except ValueError:
        usage_error(f"--on: {text!r} is no date such as 2026-05-04")


def checklist_of(text: str, known: SpeciesList) -> tuple[str, ...]:
    """Return the codes given with --looked-for.

    Raises UnknownSpeciesError, or LabelError for one given twice.
    """
    codes = [code for code in re.split(r"[,\s]+", text) if code]
    return require_codes(codes, "--looked-for", known)
