"""The board's verbs, at the desk: classify photos, read a model's card."""

from __future__ import annotations

import zipfile
from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer

from weedset.board.decide import TREAT_NOTHING, read_policy, treats_nothing
from weedset.board.eye import Eye
from weedset.board.guards import Guards
from weedset.board.model import open_model
from weedset.board.overlay import write_overlay
from weedset.board.report import cell_records, photo_line, photo_record
from weedset.cardwords import card_lines
from weedset.cli.door import JsonOption, emit
from weedset.errors import ModelError, WeedsetError, printable
from weedset.modelcard import card_to_json, reminder
from weedset.photofiles import find_photos
from weedset.profile import read_camera_profile
from weedset.talk import complain, follow, say
from weedset.taxonomy import load_species

ModelOption = Annotated[Path, typer.Option("--model", help="The model file (ONNX with its card).")]


def add_board_verbs(app: typer.Typer) -> None:
    """Add the board's verbs to `app`."""
    app.command("classify")(classify)
    app.command("card")(card)


def classify(
    photos: Annotated[list[Path], typer.Argument(help="Photos, or folders of photos.")],
    model: ModelOption,
    camera: Annotated[Path, typer.Option(help="The camera profile (TOML).")],
    policy: Annotated[
        Path | None,
        typer.Option(help="The garden's policy: what to remove. Without one, nothing is treated."),
    ] = None,
    overlay: Annotated[
        Path | None, typer.Option(help="Folder for pictures of the photos with the decisions.")
    ] = None,
    keep_out: Annotated[
        float,
        typer.Option(
            min=0, max=1000, help="The tool's reach in mm: treat nothing nearer to such plants."
        ),
    ] = Guards().keep_out_mm or 0.0,
    as_json: JsonOption = False,
) -> None:
    """Decide for each ground cell of a photo: treat, leave or unsure.

    Photos that are too dark, too bright or blurred are left alone, as on the board, and so
    is what stands too near to a plant that is protected or unknown: how near depends on how
    sure the camera profile is of its height and tilt.

    With --json, one line per photo and one per cell go to standard output: position in
    mm from the point below the lens, probability of each species, decision and reason.

    Example: `weedset classify photo.jpg --model small.onnx --camera cart.toml`

    Example: `weedset classify photos/ --model small.onnx --camera cart.toml --policy beds.toml`
    """
    opened = open_model(model)
    profile = read_camera_profile(camera)
    rule = read_policy(policy, opened.card.codes) if policy else TREAT_NOTHING
    if policy is None:
        say("No policy given, so nothing is treated (--policy says what to remove).")
    elif why := treats_nothing(opened.card, rule):
        say(f"NOTE: nothing is treated, since {why}.")
    eye = Eye(opened, profile, rule, guards=replace(Guards(), keep_out_mm=keep_out))
    paths = find_photos(photos)
    bad = 0
    for path in follow(paths, len(paths), "classifying"):
        try:
            seen = eye.photo(path)
            if overlay is not None:
                write_overlay(path, seen, opened.card, overlay)
        except WeedsetError as error:
            bad += 1
            complain(error)
            continue
        if as_json:
            emit(photo_record(seen, opened.card))
            for record in cell_records(seen, opened.card):
                emit(record)
        else:
            typer.echo(photo_line(seen))
    say(reminder(opened.card))
    if bad:
        raise typer.Exit(1)


def card(
    model: Annotated[Path, typer.Argument(help="A model file.")], as_json: JsonOption = False
) -> None:
    """Show the card inside a model file: what it tells, takes, learned from, and its harm.

    With --json all of it, also the scores at which each species counts as seen.

    Example: `weedset card small.onnx`

    Example: `weedset card small.onnx --json`
    """
    if zipfile.is_zipfile(model):
        fix = f"if it is a contribution, `weedset check {model}` reads it"
        raise ModelError("is a zip archive, not a model file", where=str(model), fix=fix)
    found = open_model(model).card
    if as_json:
        typer.echo(card_to_json(found))
        return
    for line in card_lines(found, load_species()):
        typer.echo(printable(line))
