"""The list of verbs: in the order of use, whoever added them and when."""

from __future__ import annotations

import typer
from typer.main import get_command
from typer.testing import CliRunner

from training.verbs import app
from weedset.cli.door import CHAPTERS, ORDER, make_app


def names(of: typer.Typer) -> list[str]:
    command = get_command(of)
    context = command.make_context("weedset", ["--help-all"], resilient_parsing=True)
    return command.list_commands(context)  # type: ignore[attr-defined, no-any-return]  # vendored


def test_verbs_are_listed_in_the_order_of_use() -> None:
    # Training adds its verbs after the others, and groups come last by themselves.
    assert names(app) == list(ORDER)


def test_verbs_are_listed_by_what_one_wants() -> None:
    shown = CliRunner().invoke(app, ["--help"]).stdout
    places = [shown.index(f"─ {chapter} ─") for chapter in CHAPTERS]
    assert places == sorted(places)
    verbs = {verb: shown.index(f"│ {verb} ") for verb in ORDER}
    assert list(verbs) == sorted(verbs, key=verbs.__getitem__)


def test_a_verb_without_a_place_comes_last() -> None:
    some = make_app()
    for name in ("zenith", "tile", "new"):
        some.command(name)(lambda: None)
    assert names(some) == ["new", "tile", "zenith"]


def test_the_version_says_what_it_is() -> None:
    assert "Show the version and exit." in CliRunner().invoke(app, ["--help"]).stdout
