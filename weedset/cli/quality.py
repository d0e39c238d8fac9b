"""The verb about photo quality: what is blurred, dark, glaring or bare."""

from __future__ import annotations

from collections import Counter
from dataclasses import asdict, replace
from pathlib import Path
from typing import Annotated

import typer

from weedset.cli.door import JsonOption, WorkspaceOption, emit
from weedset.contact_sheet import SheetItem, write_contact_sheet
from weedset.errors import PhotoError
from weedset.quality import faults, usual_limits
from weedset.records import Photo, QualityLimits
from weedset.settings import open_workspace
from weedset.store import Store, open_store
from weedset.talk import say

#: More photos than this are too many for a glance; the worst come first.
_MOST_ON_SHEET = 48

_Limit = Annotated[float | None, typer.Option(min=0, help="Instead of the usual limit.")]


def add_quality_verb(app: typer.Typer) -> None:
    """Add the verb to `app`."""
    app.command("quality")(quality)


def quality(
    workspace: WorkspaceOption = Path(),
    site: Annotated[str | None, typer.Option(help="Only the photos of this site.")] = None,
    least_sharpness: _Limit = None,
    most_overexposed: _Limit = None,
    most_underexposed: _Limit = None,
    most_shadow: _Limit = None,
    most_glare: _Limit = None,
    least_vegetation: _Limit = None,
    most_vegetation: _Limit = None,
    worst_gsd: Annotated[
        float | None, typer.Option(min=0, help="Tiles seen more coarsely, in mm per px, are bad.")
    ] = None,
    only_bad: Annotated[bool, typer.Option("--only-bad", help="List only what is bad.")] = False,
    tiles: Annotated[bool, typer.Option("--tiles", help="List tiles, not photos.")] = False,
    sheet: Annotated[Path | None, typer.Option(help="Draw a contact sheet (JPEG or PNG).")] = None,
    as_json: JsonOption = False,
) -> None:
    """Tell which photos are blurred, badly lit, glaring or too bare to learn from.

    Shares go from 0 to 1. Sharpness is judged against the other photos of the workspace:
    below a quarter of their median counts as blurred.

    Example: `weedset quality -w garden --sheet glance.jpg`

    Example: `weedset quality -w garden --tiles --only-bad --most-glare 0.02 --json`
    """
    room = open_workspace(workspace)
    with open_store(room) as store:
        photos = _photos(store, site)
        limits = usual_limits([photo.quality for photo in photos if photo.quality is not None])
        own = {
            "least_sharpness": least_sharpness, "most_overexposed": most_overexposed,
            "most_underexposed": most_underexposed, "most_shadow": most_shadow,
            "most_glare": most_glare, "least_vegetation": least_vegetation,
            "most_vegetation": most_vegetation,
        }  # fmt: skip
        limits = replace(
            limits, **{name: value for name, value in own.items() if value is not None}
        )
        for photo in photos:
            if tiles:
                _tell_tiles(store, photo, limits, worst_gsd, only_bad, as_json)
            else:
                _tell_photo(photo, limits, only_bad, as_json)
        bad = Counter(name for photo in photos for name in _faults(photo, limits))
        count = sum(bool(_faults(photo, limits)) for photo in photos)
        say(f"{len(photos)} photos, {count} beyond a limit. " + ", ".join(
            f"{number} {name}" for name, number in bad.most_common()
        ))  # fmt: skip
        if sheet is not None:
            worst = sorted(photos, key=lambda photo: -len(_faults(photo, limits)))[:_MOST_ON_SHEET]
            items = [
                SheetItem(photo, store.tiles(photo.digest), _faults(photo, limits))
                for photo in worst
            ]
            write_contact_sheet(sheet, room, items, limits)
            say(f"drew {len(items)} photos into {sheet}, the worst first")


def _photos(store: Store, site: str | None) -> list[Photo]:
    batches = {batch.id for batch in store.batches() if site in (None, batch.site)}
    of_photo = store.photos_of_batches()
    photos = [photo for photo in store.photos() if of_photo[photo.digest] in batches]
    if not photos:
        raise PhotoError("there is no photo to judge", where="workspace", fix="tile photos first")
    return photos


def _faults(photo: Photo, limits: QualityLimits) -> list[str]:
    return [] if photo.quality is None else faults(photo.quality, limits)


def _tell_photo(photo: Photo, limits: QualityLimits, only_bad: bool, as_json: bool) -> None:
    found = _faults(photo, limits)
    if photo.quality is None or (only_bad and not found):
        return
    numbers = {name: round(value, 4) for name, value in asdict(photo.quality).items()}
    if as_json:
        emit({"photo": photo.name, "digest": photo.digest, **numbers, "faults": found})
    else:
        shown = "  ".join(f"{name} {value:g}" for name, value in numbers.items())
        typer.echo(f"{photo.name}: {shown}  {'BAD: ' + ', '.join(found) if found else 'good'}")


def _tell_tiles(
    store: Store,
    photo: Photo,
    limits: QualityLimits,
    worst_gsd: float | None,
    only_bad: bool,
    as_json: bool,
) -> None:
    for tile in store.tiles(photo.digest):
        if tile.quality is None:
            continue
        found = faults(tile.quality, limits)
        if worst_gsd is not None and tile.gsd_mm_per_px > worst_gsd:
            found.append("gsd_mm_per_px")
        if only_bad and not found:
            continue
        numbers = {name: round(value, 4) for name, value in asdict(tile.quality).items()}
        numbers["gsd_mm_per_px"] = round(tile.gsd_mm_per_px, 6)
        place = {"photo": photo.name, "digest": photo.digest, "row": tile.row, "col": tile.col}
        if as_json:
            emit({**place, **numbers, "faults": found})
        else:
            words = "BAD: " + ", ".join(found) if found else "good"
            typer.echo(f"{photo.name} r{tile.row} c{tile.col}: {words}")
