"""The labelling page's verb."""

from __future__ import annotations

from importlib.util import find_spec
from pathlib import Path
from typing import Annotated

import typer

from weedset.cli.door import WorkspaceOption, usage_error
from weedset.cli.options import SpeciesOption
from weedset.errors import MissingPartError, StoreError
from weedset.labelling import UNNAMED
from weedset.reviewlist import read_review_list
from weedset.settings import open_workspace, store_path
from weedset.talk import counted, say
from weedset.taxonomy import load_species

#: Any port will do; this one is always the same, so that a bookmark keeps working.
_PORT = 8473


def add_label_verb(app: typer.Typer) -> None:
    """Add the labelling page's verb to `app`."""
    app.command("label")(label)


def label(
    workspace: WorkspaceOption = Path(),
    annotator: Annotated[
        str, typer.Option(help="Who labels; a handle will do. The page asks, if not set.")
    ] = "",
    own_species: SpeciesOption = None,
    model: Annotated[
        Path | None,
        typer.Option(help="A model file whose suggestions are shown; never labels by itself."),
    ] = None,
    review: Annotated[
        Path | None,
        typer.Option(help="A review list, such as of `weedset doubts`: look at these again."),
    ] = None,
    phone: Annotated[
        bool,
        typer.Option("--phone", help="Let a phone on the same network in, with a one-time code."),
    ] = False,
    port: Annotated[int, typer.Option(min=0, max=65535, help="0 takes any that is free.")] = _PORT,
    browser: Annotated[bool, typer.Option(help="Open the browser.")] = True,
) -> None:
    """Label tiles in the browser. Everything stays on this computer.

    Example: `weedset label -w garden`

    Example: `weedset label -w garden --model small.onnx --phone`

    Example: `weedset label -w garden --review doubts.jsonl`
    """
    for name in ("starlette", "uvicorn"):
        if find_spec(name) is None:
            raise MissingPartError(f"{name} is not installed", fix="pip install 'weedset[desk]'")
    from weedset.server.room import RoomSettings
    from weedset.server.serve import serve
    from weedset.server.suggest import open_adviser, too_coarse

    annotator = annotator.strip()
    if len(annotator) > 40 or not annotator.isprintable():
        usage_error("--annotator: at most 40 printable characters")
    if annotator.casefold() == UNNAMED:
        usage_error(f"--annotator: {annotator!r} names nobody: give a handle, or let the page ask")
    room = open_workspace(workspace)
    if not store_path(room).exists():
        raise StoreError(
            "holds no tiles yet", where=str(workspace), fix="tile photos first: `weedset tile`"
        )
    adviser = open_adviser(model, room) if model else None
    if adviser and (coarse := too_coarse(adviser, room)):
        say(
            f"NOTE: nothing is suggested in {counted(coarse, 'photo')}, coarser than those that "
            "the model learned from."
        )
    again = read_review_list(review) if review else None
    settings = RoomSettings(room, annotator, load_species(own_species), adviser, again)
    serve(settings, port=port, phone=phone, open_browser=browser, tell=say)
