"""The gardener's verbs: a workspace, tiles and labels."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from weedset.cli.door import JsonOption, emit
from weedset.cli.masks import import_masks
from weedset.cli.options import SpeciesOption
from weedset.cli.status import status
from weedset.cli.taking_in import add_import_verbs
from weedset.cli.tile import tile
from weedset.errors import SettingsError
from weedset.photofiles import PHOTO_SUFFIXES
from weedset.records import CellLimits, Edge
from weedset.settings import DEFAULT_CELL_MM, DEFAULT_TILE_PX, create_workspace
from weedset.talk import say
from weedset.taxonomy import load_species, search


def add_gardener_verbs(app: typer.Typer) -> None:
    """Add the gardener's verbs to `app`."""
    app.command("new")(new)
    app.command("tile")(tile)
    app.command("status")(status)
    app.command("species")(species)
    take_in = typer.Typer(no_args_is_help=True, help="Take in labels that you already have.")
    take_in.command("masks")(import_masks)
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
    _require_no_photos(folder)
    edge: Edge = "pad" if pad else "drop"
    limits = CellLimits(worst_gsd, most_oblique)
    workspace = create_workspace(folder, cell_mm, tile_px, edge, limits)
    say(f"{folder} is now a workspace: cells of {workspace.cell_mm:g} mm, tiles of {tile_px} px.")


def _require_no_photos(folder: Path) -> None:
    """Raise SettingsError where `folder` is the photos' own, which is no place for tiles."""
    inside = folder.iterdir() if folder.is_dir() else ()
    if any(item.suffix.lower() in PHOTO_SUFFIXES for item in inside):
        fix = "make the workspace beside the photos, in a folder of its own: `weedset new garden`"
        raise SettingsError("holds photos", where=str(folder), fix=fix)


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
        say(
            f"No species matches {text!r}: try a shorter part of its name, or its scientific "
            "name. One that is not shipped goes into a list of your own, given with --species."
        )
        raise typer.Exit(1)
