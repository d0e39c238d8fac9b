"""The group of verbs over a pool folder, in the order of a maintainer's work."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict

import typer

from weedset.cli import pool_editions, pool_intake, pool_places, second_looks
from weedset.cli.door import JsonOption, emit
from weedset.cli.pool_options import PoolArgument
from weedset.pool.journal import read_journal
from weedset.pool.layout import create_pool, open_pool
from weedset.talk import say


def add_pool_verbs(app: typer.Typer) -> None:
    """Add the group `pool` to `app`."""
    group = typer.Typer(no_args_is_help=True, help="Pool contributions and freeze editions.")
    verbs: dict[str, Callable[..., None]] = {
        "new": new_pool,
        "add": pool_intake.add_to_pool,
        "review": pool_intake.review_pool,
        "look": second_looks.look_into_contribution,
        "twins": pool_intake.show_twins,
        "accept": pool_intake.accept_into_pool,
        "refuse": pool_intake.refuse_from_pool,
        "correct": second_looks.correct_contribution,
        "withdraw": pool_intake.withdraw_from_pool,
        "coverage": pool_editions.show_coverage,
        "freeze": pool_editions.freeze_pool,
        "editions": pool_editions.show_editions,
        "export": pool_editions.export_edition,
        "publish": pool_places.publish_edition,
        "backup": pool_places.back_up_pool,
        "fetch": pool_places.fetch_here,
        "verify": pool_editions.verify_pool,
        "journal": show_journal,
    }
    for name, verb in verbs.items():
        group.command(name)(verb)
    app.add_typer(group, name="pool")


def new_pool(pool: PoolArgument) -> None:
    """Make a pool folder.

    Example: `weedset pool new pool`

    Example: `weedset pool new /srv/weeds/pool`
    """
    create_pool(pool)
    say(f"{pool} is a pool. Next: weedset pool add {pool} given.zip --who you")


def show_journal(pool: PoolArgument, as_json: JsonOption = False) -> None:
    """Show who did what, and when, oldest first.

    Example: `weedset pool journal pool`

    Example: `weedset pool journal pool --json`
    """
    for entry in read_journal(open_pool(pool)):
        if as_json:
            emit(asdict(entry))
        else:
            line = f"{entry.at}  {entry.who}  {entry.what}  {entry.digest[:12]}  {entry.reason}"
            typer.echo(line.rstrip())
