"""The verb that says what is installed, and what is missing for whose work."""

from __future__ import annotations

from dataclasses import asdict
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.table import Table

from weedset.cli.door import JsonOption, WorkspaceOption, emit
from weedset.installed import JOURNEYS, Need, journey_needs, machine_needs
from weedset.talk import say

Journey = StrEnum("Journey", {name.upper(): name for name in JOURNEYS})  # type: ignore[misc]


def add_doctor_verb(app: typer.Typer) -> None:
    """Add the verb to `app`."""
    app.command("doctor")(doctor)


def doctor(
    journey: Annotated[
        Journey | None, typer.Argument(help="Whose work; all of them, if not given.")
    ] = None,
    workspace: WorkspaceOption = Path(),
    as_json: JsonOption = False,
) -> None:
    """Say what is installed, in which version, and what is missing for whose work.

    Exit code 1 says that something is missing for the work that you named; without a
    name, that this computer or the base install is not fit for any. A browser is needed
    for `weedset label`, whichever you have.

    Example: `weedset doctor`

    Example: `weedset doctor gardener --workspace garden`

    Example: `weedset doctor maintainer --json`
    """
    machine = list(machine_needs(workspace))
    asked = [journey.value] if journey else list(JOURNEYS)
    by_journey = {name: journey_needs(name) for name in asked}
    packages = {(item.part, item.name): item for found in by_journey.values() for item in found}
    missing = {
        name: [item for item in (*machine, *found) if not item.fine]
        for name, found in by_journey.items()
    }
    if as_json:
        for item in (*machine, *packages.values()):
            emit(asdict(item))
        for name, items in missing.items():
            emit({"journey": name, "ready": not items, "missing": [item.name for item in items]})
    else:
        _print([*machine, *packages.values()])
        for name, items in missing.items():
            typer.echo(f"{name}: {_verdict(items)}")
        for fix in dict.fromkeys(item.fix for items in missing.values() for item in items):
            say(f"do: {fix}")
    if missing[journey.value if journey else "board"]:
        raise typer.Exit(1)


def _verdict(missing: list[Need]) -> str:
    if not missing:
        return "ready"
    return f"not ready, for {', '.join(item.name for item in missing)}"


def _print(items: list[Need]) -> None:
    table = Table("", "part", "what", "needs", "found", header_style="bold", box=None)
    for item in items:
        part = item.part or "base"
        table.add_row("ok" if item.fine else "NO", part, item.name, item.needs, item.found)
    Console(highlight=False, width=max(Console().width, 80)).print(table)
