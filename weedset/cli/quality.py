"""The verb about photo quality: what is blurred, dark, glaring or bare."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Annotated, Any

import typer

from weedset.cli.door import JsonOption, WorkspaceOption, emit
from weedset.cli.options import chosen_batches
from weedset.contact_sheet import SheetItem, write_contact_sheet
from weedset.quality import faults, usual_limits
from weedset.records import Batch, Photo, QualityLimits
from weedset.settings import open_workspace
from weedset.store import Store, open_store
from weedset.talk import counted, say

#: More photos than this are too many for a glance; the worst come first.
_MOST_ON_SHEET = 48

_USUAL = usual_limits([])


def _share(what: str, usual: float | None = None) -> Any:
    """Return the option for the limit of a share, whose help states the usual limit."""
    limit = "none" if usual is None else f"{usual:g}"
    return typer.Option(min=0, max=1, help=f"{what}: a share, 0 to 1. Usual limit: {limit}.")


def add_quality_verb(app: typer.Typer) -> None:
    """Add the verb to `app`."""
    app.command("quality")(quality)


def quality(
    workspace: WorkspaceOption = Path(),
    site: Annotated[str | None, typer.Option(help="Only the photos of this site.")] = None,
    least_sharpness: Annotated[
        float | None,
        typer.Option(
            min=0, help="Least sharpness. Usual limit: a quarter of the median of these photos."
        ),
    ] = None,
    most_overexposed: Annotated[
        float | None, _share("Most overexposed", _USUAL.most_overexposed)
    ] = None,
    most_underexposed: Annotated[
        float | None, _share("Most underexposed", _USUAL.most_underexposed)
    ] = None,
    most_shadow: Annotated[float | None, _share("Most in shadow", _USUAL.most_shadow)] = None,
    most_glare: Annotated[float | None, _share("Most glare", _USUAL.most_glare)] = None,
    least_vegetation: Annotated[float | None, _share("Least green cover")] = None,
    most_vegetation: Annotated[float | None, _share("Most green cover")] = None,
    worst_gsd: Annotated[
        float | None,
        typer.Option(min=0, help="Worst scale of a tile, in mm per px. Usual limit: none."),
    ] = None,
    only_bad: Annotated[bool, typer.Option("--only-bad", help="List only what is bad.")] = False,
    tiles: Annotated[bool, typer.Option("--tiles", help="List tiles, not photos.")] = False,
    sheet: Annotated[
        Path | None, typer.Option(help="Draw a contact sheet (JPEG or PNG), the worst first.")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Tell which photos are blurred, badly lit, glaring or too bare to learn from.

    Shares go from 0 to 1. Brightness, of which no option changes the limits, should lie
    between 0.15 and 0.85 too. With --site only the photos of that site are compared.

    Example: `weedset quality -w garden --sheet glance.jpg`

    Example: `weedset quality -w garden --tiles --only-bad --most-glare 0.02 --json`
    """
    room = open_workspace(workspace)
    with open_store(room) as store:
        batches = chosen_batches(store, site)
        of_photo = store.photos_of_batches()
        photos = [photo for photo in store.photos() if of_photo[photo.digest] in batches]
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
            found = _judged(store, photo, batches[of_photo[photo.digest]], limits, worst_gsd, tiles)
            for seen in found:
                if seen.faults or not only_bad:
                    _tell(seen, limits, worst_gsd, as_json)
        bad = Counter(name for photo in photos for name in _faults(photo, limits))
        count = sum(bool(_faults(photo, limits)) for photo in photos)
        whole = f"{counted(len(photos), 'photo')}, {count} beyond a limit"
        each = ", ".join(f"{number} by {name}" for name, number in bad.most_common())
        say(f"{whole}: {each}." if each else f"{whole}.")
        if sheet is not None:
            worst = sorted(photos, key=lambda photo: -len(_faults(photo, limits)))[:_MOST_ON_SHEET]
            items = [
                SheetItem(
                    photo,
                    of_photo[photo.digest],
                    store.tiles(photo.digest),
                    _faults(photo, limits),
                )
                for photo in worst
            ]
            write_contact_sheet(sheet, room, items, limits)
            say(f"drew {counted(len(items), 'photo')} into {sheet}, the worst first")


def _faults(photo: Photo, limits: QualityLimits) -> list[str]:
    return [] if photo.quality is None else faults(photo.quality, limits)


@dataclass(frozen=True, slots=True)
class _Seen:
    """A photo or a tile of it, its measures by name, and the names of those beyond a limit."""

    batch: Batch
    photo: Photo
    place: dict[str, int]
    measures: dict[str, float]
    faults: list[str]


def _judged(
    store: Store,
    photo: Photo,
    batch: Batch,
    limits: QualityLimits,
    worst_gsd: float | None,
    by_tile: bool,
) -> Iterator[_Seen]:
    """Yield the photo, or all its tiles, where they were measured."""
    if not by_tile:
        if photo.quality is not None:
            yield _Seen(batch, photo, {}, asdict(photo.quality), faults(photo.quality, limits))
        return
    for tile in store.tiles(photo.digest):
        if tile.quality is None:
            continue
        gsd = tile.gsd_mm_per_px
        found = faults(tile.quality, limits)
        if worst_gsd is not None and gsd > worst_gsd:
            found.append("gsd_mm_per_px")
        place = {"row": tile.row, "col": tile.col}
        measures = {**asdict(tile.quality), "gsd_mm_per_px": gsd}
        yield _Seen(batch, photo, place, measures, found)


def _tell(seen: _Seen, limits: QualityLimits, worst_gsd: float | None, as_json: bool) -> None:
    photo, place = seen.photo, seen.place
    if as_json:
        numbers = {name: round(value, 6) for name, value in seen.measures.items()}
        whose = {"site": seen.batch.site, "taken_on": seen.batch.taken_on, "photo": photo.name}
        emit({**whose, "digest": photo.digest, **place, **numbers, "faults": seen.faults})
        return
    where = f"{seen.batch.id}, {photo.name}"
    if place:
        where += f" r{place['row']} c{place['col']}"
    worth = "BAD: " + ", ".join(_beyond(seen, name, limits, worst_gsd) for name in seen.faults)
    if not seen.faults:
        worth = "good"
    # A tile says its faults only: all numbers of so many are for programs.
    shown = "" if place else "  ".join(_measured(n, v) for n, v in seen.measures.items()) + "  "
    typer.echo(f"{where}: {shown}{worth}")


def _measured(name: str, value: float) -> str:
    """Return a measure of a photo: sharpness has no unit, all others are shares."""
    return f"{name} {value:.0f}" if name == "sharpness" else f"{name} {value:.3f}"


def _beyond(seen: _Seen, name: str, limits: QualityLimits, worst_gsd: float | None) -> str:
    """Say how far a measure is beyond its limit."""
    value = seen.measures[name]
    least = getattr(limits, f"least_{name}", None)
    most = worst_gsd if name == "gsd_mm_per_px" else getattr(limits, f"most_{name}", None)
    if least is not None and value < least:
        return f"{name} {value:.3g} (at least {least:.3g})"
    return f"{name} {value:.3g} (at most {most:.3g})"
