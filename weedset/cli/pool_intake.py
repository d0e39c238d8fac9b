"""The verbs that take contributions into a pool, or let them go again."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import asdict, replace
from pathlib import Path
from shlex import quote
from typing import Annotated

import typer

from weedset.cli.door import JsonOption, emit
from weedset.cli.options import ClusterOption
from weedset.cli.pool_options import (
    NameArgument,
    PoolArgument,
    ReasonOption,
    WhoOption,
)
from weedset.errors import CheckNotPassedError
from weedset.hands import cluster_executor
from weedset.pool.intake import accept, add, letter, refuse
from weedset.pool.journal import read_journal
from weedset.pool.layout import open_pool
from weedset.pool.selection import select
from weedset.pool.standing import Standing, State, one_of, same_batch, standings
from weedset.pool.twins import Place, find_conflicts
from weedset.pool.withdrawal import models_from, withdraw
from weedset.talk import complain, counted, say
from weedset.taxonomy import load_species


def add_to_pool(
    pool: PoolArgument,
    archives: Annotated[list[Path], typer.Argument(help="Contributions (zip).")],
    who: WhoOption,
    cluster: ClusterOption = "",
    as_json: JsonOption = False,
) -> None:
    """Check contributions and put them into quarantine. Adding one twice changes nothing.

    One that does not pass does not stop the rest; the exit code is 3 then.

    Example: `weedset pool add pool given.zip --who carla`

    Example: `weedset pool add pool a.zip b.zip --who carla --json`
    """
    opened, known, failed = open_pool(pool), load_species(), 0
    with cluster_executor(cluster) as executor:
        for archive in archives:
            try:
                item = add(opened, archive, who, known, executor=executor)
            except CheckNotPassedError as error:
                complain(error)
                failed += 1
                continue
            why = f" Why: {item.reason}" if item.reason else ""
            tiles = counted(item.tiles, "tile")
            say(f"{archive}: {item.batch} is {item.state} ({tiles}, {item.licence}).{why}")
            _tell_same_batch(pool, item, same_batch(standings(read_journal(opened)), item))
            if as_json:
                emit({"archive": str(archive), **standing_record(item)})
    if failed:
        say(f"Not kept: {failed} of {counted(len(archives), 'archive')}.")
        raise typer.Exit(CheckNotPassedError.exit_code)


def _tell_same_batch(pool: Path, item: Standing, others: Sequence[Standing]) -> None:
    """Say what to do where a giver sends a batch once more: mended, or with more labels."""
    for other in others if item.state is State.WAITING else ():
        let_go = "refuse" if other.state is State.WAITING else "withdraw"
        say(
            f"NOTE: {other.digest[:12]} is the same batch, and {other.state}. Of the same pictures "
            "the first to come counts, with its labels. If this one is to count instead: "
            f"weedset pool {let_go} {quote(str(pool))} {other.digest[:12]} --who YOU "
            "--reason 'Given anew.'"
        )


def review_pool(pool: PoolArgument, as_json: JsonOption = False) -> None:
    """List the contributions and how they stand, those that wait for a look first.

    Example: `weedset pool review pool`

    Example: `weedset pool review pool --json`
    """
    items = list(standings(read_journal(open_pool(pool))).values())
    items.sort(key=lambda item: item.state is not State.WAITING)
    for item in items:
        if as_json:
            emit(standing_record(item))
        else:
            typer.echo(
                f"{item.digest[:12]}  {item.state:9}  {item.batch}  {item.tiles} tiles, "
                f"{item.giver}, {item.licence}"
            )
    waiting = sum(item.state is State.WAITING for item in items)
    say(f"Waiting for a look: {waiting}.")


def show_twins(
    pool: PoolArgument,
    name: Annotated[str, typer.Argument(help="One that waits, to be looked at too.")] = "",
    as_json: JsonOption = False,
) -> None:
    """List tiles that show the same picture, and where their labels contradict each other.

    Of twins the first to come stands for all and keeps the credit. Contradictions are for
    you to settle: ask the givers.

    Example: `weedset pool twins pool`

    Example: `weedset pool twins pool 3f9a --json`
    """
    opened = open_pool(pool)
    also = one_of(standings(read_journal(opened)), name) if name else None
    chosen = select(opened, also=also)
    clashes = find_conflicts(opened, chosen.items, chosen.groups)

    batches = Counter(item.batch for item in chosen.items)

    def named(place: Place) -> str:
        item = chosen.items[place.number]
        alone = batches[item.batch] == 1  # else a batch that was given anew
        return f"{item.batch if alone else item.digest[:12]}/{place.key}"

    for group in chosen.groups:
        names = [named(place) for place in group]
        emit({"twins": names}) if as_json else typer.echo("  =  ".join(names))
    for clash in clashes:
        if as_json:
            places = {"first": named(clash.first), "later": named(clash.later)}
            emit({**asdict(clash), **places})
        else:
            typer.echo(
                f"{clash.code} is {clash.first_says} in {named(clash.first)}, "
                f"but {clash.later_says} in {named(clash.later)}"
            )
    say(
        f"There more than once: {counted(len(chosen.groups), 'picture')}. "
        f"{counted(len(clashes), 'contradiction')} between labels."
    )


def accept_into_pool(
    pool: PoolArgument,
    name: NameArgument,
    who: WhoOption,
    reason: ReasonOption = "",
    cluster: ClusterOption = "",
    as_json: JsonOption = False,
) -> None:
    """Accept a contribution from quarantine; prints what to tell the giver.

    Example: `weedset pool accept pool 3f9a --who carla`

    Example: `weedset pool accept pool 3f9a --who carla --reason "Good light, thank you."`
    """
    with cluster_executor(cluster) as executor:
        item = accept(open_pool(pool), name, who, reason, executor)
    _tell(item, as_json)


def refuse_from_pool(
    pool: PoolArgument,
    name: NameArgument,
    who: WhoOption,
    reason: ReasonOption,
    as_json: JsonOption = False,
) -> None:
    """Refuse a contribution in quarantine, with the reason; prints what to tell the giver.

    Its archive is deleted. The giver may mend it and give it again.

    Example: `weedset pool refuse pool 3f9a --who carla --reason "A face is to be seen."`

    Example: `weedset pool refuse pool 3f9a --who carla --reason "Out of focus."`
    """
    _tell(refuse(open_pool(pool), name, who, reason), as_json)


def withdraw_from_pool(
    pool: PoolArgument,
    name: NameArgument,
    who: WhoOption,
    reason: ReasonOption = "",
    models: Annotated[
        Path | None, typer.Option(help="Folder of model files, to list those that learned from it.")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Take a contribution back for its giver; prints what to tell them and what it touched.

    Example: `weedset pool withdraw pool 3f9a --who carla --reason "Asked by letter."`

    Example: `weedset pool withdraw pool 3f9a --who carla --models models/`
    """
    item, held = withdraw(open_pool(pool), name, who, reason)
    learned = list(models_from(models, held)) if models else []
    _tell(
        item,
        as_json,
        editions=[edition.number for edition in held],
        models=[{"path": str(path), "edition": edition.number} for path, edition in learned],
    )
    if not as_json:
        for edition in held:
            typer.echo(f"edition {edition.number} holds it: use it no longer, and freeze a new one")
        for path, edition in learned:
            typer.echo(f"{path} learned from edition {edition.number}: train it anew")
    if held and not models:
        say("Give --models and a folder to list the models that learned from these editions.")


def standing_record(item: Standing) -> dict[str, object]:
    """Return a contribution and how it stands, for a program to read."""
    rows = {"corrections": len(item.corrections), "looked_at": len(item.looked_at)}
    return {**asdict(replace(item, corrections={}, looked_at=frozenset())), **rows}


def _tell(item: Standing, as_json: bool, **more: object) -> None:
    if as_json:
        emit({**standing_record(item), "letter": letter(item), **more})
    else:
        typer.echo(letter(item), nl=False)
    say(f"{item.batch} is {item.state}.")
