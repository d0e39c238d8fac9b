"""The gardener's verbs: a workspace, tiles and labels."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import typer

from weedset.cli.door import JsonOption, WorkspaceOption, emit, usage_error
from weedset.cli.options import (
    AnnotatorOption,
    ClusterOption,
    LeastShareOption,
    LookedForOption,
    SpeciesOption,
    checklist_of,
    chosen_batches,
    day_of,
    licence_of,
    require_site,
    tell_longer,
)
from weedset.cli.taking_in import add_import_verbs
from weedset.errors import PhotoError, WeedsetError
from weedset.hands import cluster_executor
from weedset.images import find_photos
from weedset.importers.masks import (
    LEAST_SHARE,
    MaskRule,
    mask_statements,
    match_masks,
    read_colours,
    read_meanings,
)
from weedset.importers.table import table_statements
from weedset.profile import read_camera_profile
from weedset.records import Batch, CellLimits, Edge, Photo
from weedset.settings import (
    DEFAULT_CELL_MM,
    DEFAULT_TILE_PX,
    create_workspace,
    open_workspace,
)
from weedset.store import open_store
from weedset.talk import complain, counted, follow, say
from weedset.taxonomy import load_species, search
from weedset.tiling import CutPhoto, cut_photos
from weedset.view import tilt_deg


def add_gardener_verbs(app: typer.Typer) -> None:
    """Add the gardener's verbs to `app`."""
    app.command("new")(new)
    app.command("tile")(tile)
    app.command("status")(status)
    app.command("species")(species)
    take_in = typer.Typer(no_args_is_help=True, help="Take in labels that you already have.")
    take_in.command("masks")(import_masks)
    take_in.command("csv")(import_csv)
    add_import_verbs(take_in)
    app.add_typer(take_in, name="import")


def new(
    folder: Annotated[Path, typer.Argument(help="The folder to make a workspace of.")],
    cell_mm: Annotated[float, typer.Option(help="Side of a cell on the ground.")] = DEFAULT_CELL_MM,
    tile_px: Annotated[int, typer.Option(help="Side of its picture.")] = DEFAULT_TILE_PX,
    pad: Annotated[
        bool, typer.Option("--pad", help="Keep partial cells at the photo's edge, padded grey.")
    ] = False,
    worst_gsd: Annotated[
        float | None,
        typer.Option(help="Drop cells seen more coarsely than this, in mm per pixel."),
    ] = None,
    most_oblique: Annotated[
        float, typer.Option(help="Drop cells seen further from straight down, in degrees.")
    ] = CellLimits().most_oblique_deg,
) -> None:
    """Start a workspace: a folder that holds tiles, labels and models.

    Example: `weedset new garden`

    Example: `weedset new garden --cell-mm 40 --tile-px 96`
    """
    edge: Edge = "pad" if pad else "drop"
    limits = CellLimits(worst_gsd, most_oblique)
    workspace = create_workspace(folder, cell_mm, tile_px, edge, limits)
    say(f"{folder} is now a workspace: cells of {workspace.cell_mm:g} mm, tiles of {tile_px} px.")


def tile(
    photos: Annotated[list[Path], typer.Argument(help="Photos, or folders of photos.")],
    camera: Annotated[Path, typer.Option(help="The camera profile (TOML).")],
    site: Annotated[
        str, typer.Option(help="The garden or field; any name that is always the same.")
    ],
    workspace: WorkspaceOption = Path(),
    on: Annotated[str | None, typer.Option(help="Date taken, where the photos do not say.")] = None,
    giver: Annotated[str, typer.Option(help="Who gives the photos; a handle will do.")] = "",
    licence: Annotated[str, typer.Option(help="SPDX id of their licence, such as CC-BY-4.0.")] = "",
    workers: Annotated[
        int | None, typer.Option(min=1, help="Processes; all cores if not set.")
    ] = None,
    cluster: ClusterOption = "",
    as_json: JsonOption = False,
) -> None:
    """Cut ground photos into tiles of equal ground cells.

    The photos of one site on one day are a batch. A photo that is there already is
    skipped, so a stopped run goes on where it was. One bad photo does not stop the rest.

    Example: `weedset tile photos/ --camera cart.toml --site long-acre -w garden`

    Example: `weedset tile IMG_1.jpg IMG_2.jpg --camera cart.toml --site long-acre --on 2026-05-04`
    """
    room = open_workspace(workspace)
    profile = read_camera_profile(camera)
    licence = licence_of(licence) if licence else ""
    taken_on = day_of(on) if on else None
    paths = find_photos(photos)
    counts: Counter[str] = Counter()
    dropped: Counter[str] = Counter()
    with open_store(room) as store, cluster_executor(cluster) as executor:
        require_site(site, store.batches())
        results = cut_photos(paths, profile, room, store.digests(), workers, executor)
        for result in follow(results, len(paths), "tiling"):
            error = result.error
            if result.cut is not None:
                try:
                    batch = _batch_of(result.cut.photo, site, taken_on, giver, licence)
                    store.add_photo(batch, result.cut.photo, result.cut.tiles)
                except WeedsetError as caught:
                    error = caught
            if error is not None:
                counts["bad"] += 1
                complain(error)
            elif result.cut is None:
                counts["known"] += 1
            else:
                counts["photos"] += 1
                counts["tiles"] += len(result.cut.tiles)
                dropped.update(dict(result.cut.photo.dropped))
                if as_json:
                    emit(_photo_record(result.cut))
    say(
        f"{counted(counts['photos'], 'photo')} cut into {counted(counts['tiles'], 'tile')}, "
        f"{counts['known']} already there, {counts['bad']} that could not be cut."
    )
    if dropped:
        words = ", ".join(f"{count} {reason}" for reason, count in dropped.most_common())
        say(f"Cells left out: {words}.")
    if counts["bad"]:
        raise typer.Exit(1)


def _batch_of(photo: Photo, site: str, taken_on: str | None, giver: str, licence: str) -> Batch:
    seen = (photo.taken_at or "")[:10]
    if taken_on and seen and seen != taken_on:
        raise PhotoError(
            f"says that it was taken on {seen}, but --on says {taken_on}",
            where=photo.name,
            fix="leave --on out, or set the photo's own date right",
        )
    day = taken_on or seen
    if not day:
        raise PhotoError(
            "does not say on which day it was taken",
            where=photo.name,
            fix="say it: --on 2026-05-04",
        )
    return Batch(f"{site} {day}", site, day, giver, licence, ())


def _photo_record(cut: CutPhoto) -> dict[str, object]:
    photo = cut.photo
    return {
        "photo": photo.name,
        "digest": photo.digest,
        "gsd_mm_per_px": round(photo.scale.gsd_mm_per_px, 6),
        "scale_source": photo.scale.source,
        "scale_from_exif": photo.scale.from_exif,
        "tilt_deg": round(tilt_deg(photo.view), 3),
        "worst_gsd_mm_per_px": round(max(tile.gsd_mm_per_px for tile in cut.tiles), 6),
        "dropped": dict(photo.dropped),
        "rows": photo.grid.rows,
        "cols": photo.grid.cols,
        "tiles": len(cut.tiles),
    }


def import_masks(
    masks: Annotated[Path, typer.Argument(help="Folder of masks, NAME_mask.png or NAME.png.")],
    looked_for: LookedForOption,
    value: Annotated[
        list[str] | None,
        typer.Option(help="What a value means: 0=ground, 1=CHEAL, 2=unknown. Give one per value."),
    ] = None,
    colour: Annotated[
        list[str] | None,
        typer.Option(help="What a colour means, instead: 000000=ground, 00ff00=CHEAL."),
    ] = None,
    workspace: WorkspaceOption = Path(),
    site: Annotated[str | None, typer.Option(help="Only the photos of this site.")] = None,
    on: Annotated[str | None, typer.Option(help="Only the photos of this day.")] = None,
    least_share: LeastShareOption = LEAST_SHARE,
    annotator: AnnotatorOption = "me",
    own_species: SpeciesOption = None,
) -> None:
    """Take labels from masks: a picture per photo with a value for each pixel.

    A plant is present in a cell where it covers at least 1 % of it (--least-share); where
    it covers less, its presence is doubtful and counts neither way.

    Example: `weedset import masks masks/ --value 0=ground --value 1=CHEAL --looked-for CHEAL`

    Example: `weedset import masks masks/ --colour 000000=ground --colour 00ff00=CHEAL
    --looked-for CHEAL`
    """
    known = load_species(own_species)
    if bool(value) == bool(colour):
        usage_error("give --value for each value of the masks, or --colour for each colour")
    meanings = read_colours(colour, known) if colour else read_meanings(value or [], known)
    rule = MaskRule(meanings, least_share, by_colour=bool(colour))
    checklist = checklist_of(looked_for, known)
    labelled = repeated = bad = 0
    with open_store(open_workspace(workspace)) as store:
        batches = chosen_batches(store, site, day_of(on) if on else None)
        ids = store.photos_of_batches()
        photos = [photo for photo in store.photos() if ids[photo.digest] in batches]
        batch_of = {photo.digest: batches[ids[photo.digest]] for photo in photos}
        matched = match_masks(masks, photos, batch_of)
        for mask, photo in follow(matched.pairs, len(matched.pairs), "reading masks"):
            try:
                statements = list(mask_statements(mask, photo, rule, annotator))
                tell_longer(ids[photo.digest], store.set_checklist(ids[photo.digest], checklist))
                added = store.add_statements(statements)
                labelled += added
                repeated += len(statements) - added
            except WeedsetError as error:
                bad += 1
                complain(error)
    _tell_left_over("photo", matched.without_mask, "no mask here; --site leaves other gardens out")
    _tell_left_over("mask", matched.without_photo, "no photo here, or none that was chosen")
    masks_read = counted(len(matched.pairs) - bad, "mask")
    say(
        f"{counted(labelled, 'tile')} labelled from {masks_read}; {repeated} said so already; "
        f"{bad} could not be used."
    )
    if bad:
        raise typer.Exit(1)


def _tell_left_over(noun: str, names: Sequence[str], lacks: str) -> None:
    if names:
        shown = ", ".join(names[:3]) + (", ..." if len(names) > 3 else "")
        say(f"{counted(len(names), noun)} ({shown}) left out: {lacks}.")


def import_csv(
    table: Annotated[Path, typer.Argument(help="CSV with columns photo, row, col, species.")],
    looked_for: LookedForOption,
    workspace: WorkspaceOption = Path(),
    annotator: AnnotatorOption = "me",
    own_species: SpeciesOption = None,
) -> None:
    """Take labels from a CSV table: one row per plant in a cell.

    Columns photo, row and col (from 0), species and, if wanted, stage (BBCH principal stage,
    0 to 9). The species is an EPPO code, or `bare`, `unknown` (a plant you cannot name),
    or `cannot tell`. Nothing is taken in where a single row is wrong.

    Example: `weedset import csv labels.csv --looked-for CHEAL,DAUCS -w garden`

    Example: `weedset import csv labels.csv --looked-for CHEAL --annotator anna -w garden`
    """
    known = load_species(own_species)
    checklist = checklist_of(looked_for, known)
    with open_store(open_workspace(workspace)) as store:
        statements = table_statements(table, store.photos(), known, annotator)
        batch_of = store.photos_of_batches()
        for batch_id in sorted({batch_of[digest] for (digest, _, _), _ in statements}):
            tell_longer(batch_id, store.set_checklist(batch_id, checklist))
        added = store.add_statements(statements)
    say(f"{counted(added, 'tile')} labelled; {len(statements) - added} said so already.")


def status(workspace: WorkspaceOption = Path(), as_json: JsonOption = False) -> None:
    """Say what a workspace holds.

    Example: `weedset status -w garden`

    Example: `weedset status -w garden --json`
    """
    with open_store(open_workspace(workspace)) as store:
        counts: dict[str, object] = dict(store.counts())
        present = Counter(
            code for item in store.labelled_tiles() for code in item.statement.present
        )
        batches = store.batches()
    if as_json:
        emit({**counts, "species": dict(sorted(present.items()))})
        return
    known = load_species()
    typer.echo("  ".join(_in_words(name, count) for name, count in counts.items()))
    for batch in batches:
        looked_for = ", ".join(batch.looked_for) or "no checklist yet"
        typer.echo(f"batch {batch.id}: looked for {looked_for}; {batch.licence or 'no licence'}")
    for code, count in present.most_common():
        name = known[code].name_en if code in known else ""
        typer.echo(f"{count:7d} {'tile ' if count == 1 else 'tiles'} with {code}  {name}")


def _in_words(name: str, count: object) -> str:
    """Return a count of the store with its name: plural as it comes, singular for one."""
    if count == 1:
        name = {"batches": "batch", "photos": "photo", "tiles": "tile"}.get(name, name)
    return f"{count} {name}"


def species(
    text: Annotated[str, typer.Argument(help="Part of a code or a name, in any language.")],
    own_species: SpeciesOption = None,
    as_json: JsonOption = False,
) -> None:
    """Look up species by code or name.

    Example: `weedset species goosefoot`

    Example: `weedset species zanahoria --json`
    """
    found = search(text, load_species(own_species))
    for item in found:
        if as_json:
            emit({"code": item.code, "scientific_name": item.scientific_name, "en": item.name_en})
        else:
            names = ", ".join(name for name in (item.name_en, item.name_de, item.name_es) if name)
            typer.echo(f"{item.code:8s} {item.scientific_name:32s} {names}")
    if not found:
        say(f"No species matches {text!r}.")
        raise typer.Exit(1)
