"""Options that several verbs share, and what their words must be like."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Sequence
from datetime import date, datetime
from pathlib import Path
from typing import Annotated

import typer

from weedset.cli.door import usage_error
from weedset.errors import LabelError, LicenceError
from weedset.licences import require_licence
from weedset.records import Batch, LabelledTile, Statement
from weedset.store import Store
from weedset.talk import counted, say
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
LeastShareOption = Annotated[
    float, typer.Option(min=0, max=1, help="Covered share of a cell from which a plant counts.")
]
AnnotatorOption = Annotated[
    str,
    typer.Option(
        help="Who made these labels; a handle will do. `me` is whoever will give the batch."
    ),
]


def require_site(site: str, batches: Iterable[Batch]) -> None:
    """Leave with a usage error where `site` is no name, or nearly that of another site."""
    if not _SITE.fullmatch(site):
        usage_error("--site: letters, digits, blanks, dots and dashes, at most 60")
    for known in sorted({batch.site for batch in batches}):
        if known != site and _folded(known) == _folded(site):
            usage_error(f"--site: {site!r} is there already as {known!r}: did you mean that?")


def _folded(site: str) -> str:
    return re.sub(r"[\s._-]+", "-", site.casefold())


def chosen_batches(store: Store, site: str | None, day: str | None = None) -> dict[str, Batch]:
    """Return the batches of a site, of a day, or all, by id.

    Raises LabelError where there is none, naming those that there are.
    """
    batches = store.batches()
    chosen = {
        batch.id: batch
        for batch in batches
        if site in (None, batch.site) and day in (None, batch.taken_on)
    }
    if chosen:
        return chosen
    if not batches:
        raise LabelError("there is no photo in this workspace", fix="tile photos first")
    if site is None or any(batch.site == site for batch in batches):
        of = "" if site is None else f" of site {site!r}"
        what = f"no photo{of} was taken on {day}; there are"
        raise LabelError(f"{what}: {', '.join(batch.id for batch in batches)}", where="--on")
    sites = sorted({batch.site for batch in batches})
    near = difflib.get_close_matches(site, sites, 1)
    raise LabelError(
        f"no photo of site {site!r}; there are: {', '.join(sites)}",
        where="--site",
        fix=f"did you mean {near[0]!r}?" if near else "give one of these",
    )


def licence_of(text: str) -> str:
    """Return the SPDX id given with --licence; leaves with a usage error if it is none."""
    try:
        return require_licence(text, "--licence").id
    except LicenceError as error:
        usage_error(f"{error}; {error.fix}")


def day_of(text: str) -> str:
    """Return the day given with --on, as YYYY-MM-DD.

    Leaves with a usage error where it is none, or has not come yet.
    """
    try:
        day = datetime.strptime(text, "%Y-%m-%d").date()
    except ValueError:
        usage_error(f"--on: {text!r} is no date: write year-month-day, such as 2026-09-03")
    if day > date.today():
        usage_error(f"--on: {text} is in the future")
    return day.isoformat()


def tell_longer(batch_id: str, added: Sequence[str]) -> None:
    """Say which species came onto the checklist of a batch that has labels, if any did."""
    if added:
        codes = ", ".join(added)
        say(f"{codes} now on the checklist of {batch_id}: labels made before say nothing of it.")


def tell_unlisted(store: Store, seen: Iterable[tuple[str, str]]) -> None:
    """Say which species were `seen` (batch id, code) without being on the batch's checklist."""
    listed = {batch.id: batch.looked_for for batch in store.batches()}
    codes = sorted({code for batch_id, code in seen if code not in listed[batch_id]})
    if codes:
        say(
            f"NOTE: {', '.join(codes)} in these labels but not on the checklist, so their "
            "absence counts nowhere. Where all of them were marked, put them into --looked-for "
            "and import again."
        )


def tell_overruled(before: Iterable[LabelledTile], store: Store) -> None:
    """Say of how many tiles somebody else's label does not stand any more, since `before`."""
    now = {_place(item): item.statement for item in store.labelled_tiles()}
    changed = [
        item.statement.annotator
        for item in before
        if item.statement.annotator != now[_place(item)].annotator
        and _said(item.statement) != _said(now[_place(item)])
    ]
    if changed:
        names = ", ".join(sorted(set(changed)))
        say(
            f"NOTE: {names} had labelled {counted(len(changed), 'tile')} otherwise. The newest "
            "label stands, and all are kept: `weedset label` shows these tiles under Second look."
        )


def _place(item: LabelledTile) -> tuple[str, int, int]:
    return item.tile.photo_digest, item.tile.row, item.tile.col


def _said(statement: Statement) -> tuple[object, ...]:
    return statement.verdict, statement.present, statement.doubtful, statement.unknown_plant


def checklist_of(text: str, known: SpeciesList) -> tuple[str, ...]:
    """Return the codes given with --looked-for.

    Raises UnknownSpeciesError, or LabelError for one given twice.
    """
    codes = [code for code in re.split(r"[,\s]+", text) if code]
    return require_codes(codes, "--looked-for", known)


ClusterOption = Annotated[
    str,
    typer.Option(
        "--cluster",
        help="Address of a Dask scheduler (tcp://host:8786) whose machines see the same files "
        "under the same paths: they do the work.",
        envvar="WEEDSET_CLUSTER",
    ),
]
