"""The verb that says what lies somewhere, and what comes next."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from weedset.cli.door import JsonOption, emit
from weedset.errors import printable
from weedset.settings import open_workspace
from weedset.taxonomy import load_species
from weedset.whatis import holding_record, what_is


def status(
    what: Annotated[
        Path | None,
        typer.Argument(help="A folder or file; where you are, if not given.", show_default=False),
    ] = None,
    workspace: Annotated[
        Path | None,
        typer.Option(
            "--workspace", "-w", help="A workspace folder, likewise.", envvar="WEEDSET_WORKSPACE"
        ),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Say what a folder or file holds, and which command comes next.

    It knows workspaces, pools, runs, editions, releases, model files, contributions, camera
    profiles, policies, recipes and photos; pictures that weedset drew and masks are no photos.
    In a folder with none of these it says how to begin; of a folder in which one workspace
    lies, and no more to tell of, it says what that one holds.

    Example: `weedset status`

    Example: `weedset status garden`

    Example: `weedset status -w garden --json`
    """
    if what is None and workspace is not None:
        open_workspace(workspace)  # or says that it is none
    path = what or workspace or Path()
    holding = what_is(path)
    if as_json:
        emit(holding_record(path, holding))
        return
    typer.echo(f"{printable(str(path))}: {holding.kind}")
    for line in holding.words:
        typer.echo(f"  {printable(line)}")
    inside = holding.facts.get("workspace", holding.facts)
    species = inside.get("species") if isinstance(inside, dict) else None
    if isinstance(species, dict):
        known = load_species()
        for code, count in sorted(species.items(), key=lambda item: -item[1]):
            name = known[code].name_en if code in known else ""
            typer.echo(f"{count:9d} {'tile ' if count == 1 else 'tiles'} with {code}  {name}")
    if holding.steps:
        typer.echo("Next:")
    for step in holding.steps:
        typer.echo(f"  {printable(step.why)}:\n    {printable(step.command)}")
