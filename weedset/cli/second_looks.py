"""The verbs to look at the pictures and labels of a contribution, and to correct these."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from shlex import quote
from typing import Annotated

import typer

from weedset.cli.door import JsonOption, emit
from weedset.cli.pool_intake import standing_record
from weedset.cli.pool_options import NameArgument, PoolArgument, WhoOption
from weedset.looksheets import LOOK_AT_THESE
from weedset.pool.corrections import correct
from weedset.pool.layout import open_pool
from weedset.pool.look import look_into, sheets_in
from weedset.settings import open_workspace
from weedset.talk import counted, say


def look_into_contribution(
    pool: PoolArgument,
    name: NameArgument,
    to: Annotated[Path, typer.Option(help="The workspace folder to make.")],
) -> None:
    """Make a workspace of a contribution, to look at its pictures and its labels.

    In it lie sheets of all pictures: look through them before you accept. The labels are for
    the browser, those first that `weedset doubts` lists.

    Example: `weedset pool look pool 3f9a --to look`

    Example: `weedset pool look pool s-00000000000000aa-2024-05-04 --to look-aa`
    """
    _, item = look_into(open_pool(pool), name, to)
    say(f"{to} shows {item.batch}.")
    typer.echo(LOOK_AT_THESE)
    for path in sheets_in(to):
        typer.echo(f"  {path}")
    say(f"Then its labels: weedset status -w {quote(str(to))} says how.")


def correct_contribution(
    pool: PoolArgument,
    name: NameArgument,
    workspace: Annotated[
        Path, typer.Option("--from", help="The workspace in which its labels were reviewed.")
    ],
    who: WhoOption,
    reason: Annotated[str, typer.Option(help="Why, for the journal.")] = "",
    as_json: JsonOption = False,
) -> None:
    """Take over what you decided in review about the labels of a contribution.

    What was given is kept; the next edition has the corrections. Doing it twice changes nothing.

    Example: `weedset pool correct pool 3f9a --from look --who carla`

    Example: `weedset pool correct pool 3f9a --from look --who carla --reason "Mixed up."`
    """
    item, done = correct(open_pool(pool), name, open_workspace(workspace), who, reason)
    say(
        f"{item.batch}: {counted(done.changed, 'label')} changed, {done.confirmed} found right; "
        f"{counted(len(item.corrections), 'label')} in all now other than given."
    )
    if as_json:
        emit({**standing_record(item), **asdict(done)})
