"""The maintainer's verbs over a pool folder."""

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
from weedset.cli.pool_places import DigestOption, PoolArgument, add_verbs_of_places
from weedset.errors import CheckNotPassedError
from weedset.findings import Findings
from weedset.hands import cluster_executor
from weedset.pool.coverage import (
    aligned,
    call_text,
    coverage_rows,
    measure_coverage,
    write_call,
)
from weedset.pool.coverage_plot import draw_coverage
from weedset.pool.editions import empty_parts, freeze
from weedset.pool.frozen import is_edition
from weedset.pool.intake import accept, add, letter, refuse
from weedset.pool.journal import read_journal
from weedset.pool.layout import create_pool, open_pool
from weedset.pool.publishing import is_copy, verify_at
from weedset.pool.selection import select
from weedset.pool.soundness import verify
from weedset.pool.standing import Standing, State, one_of, same_batch, standings
from weedset.pool.twins import Place, find_conflicts
from weedset.pool.withdrawal import models_from, withdraw, withdrawn_from
from weedset.talk import complain, counted, say
from weedset.taxonomy import load_species

NameArgument = Annotated[str, typer.Argument(help="Its batch id, or the beginning of its digest.")]
WhoOption = Annotated[
    str, typer.Option(help="Who does this; a handle will do.", envvar="WEEDSET_WHO")
]
ReasonOption = Annotated[str, typer.Option(help="Why, in words for the giver.")]


def add_pool_verbs(app: typer.Typer) -> typer.Typer:
    """Add the group `pool` to `app`, and return it."""
    group = typer.Typer(no_args_is_help=True, help="Pool contributions and freeze editions.")
    group.command("new")(new_pool)
    group.command("add")(add_to_pool)
    group.command("review")(review_pool)
    group.command("twins")(show_twins)
    group.command("accept")(accept_into_pool)
    group.command("refuse")(refuse_from_pool)
    group.command("coverage")(show_coverage)
    group.command("withdraw")(withdraw_from_pool)
    group.command("freeze")(freeze_pool)
    group.command("editions")(show_editions)
    add_verbs_of_places(group)
    group.command("verify")(verify_pool)
    group.command("journal")(show_journal)
    app.add_typer(group, name="pool")
    return group


def new_pool(pool: PoolArgument) -> None:
    """Make a pool folder.

    Example: `weedset pool new pool`

    Example: `weedset pool new /srv/weeds/pool`
    """
    create_pool(pool)
    say(f"{pool} is a pool. Next: weedset pool add {pool} given.zip --who you")


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


def show_coverage(
    pool: PoolArgument,
    plot: Annotated[
        Path | None, typer.Option(help="Draw species by stage into this file (.png, .svg, .pdf).")
    ] = None,
    call: Annotated[
        Path | None, typer.Option(help="Write a call for contributions (Markdown) here.")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Show what the next edition would hold, by species, stage, light and site, and its gaps.

    Example: `weedset pool coverage pool`

    Example: `weedset pool coverage pool --plot coverage.png --call call.md`
    """
    cover, known = measure_coverage(open_pool(pool)), load_species()
    if plot:
        draw_coverage(cover, plot)
    if call:
        write_call(call, call_text(cover, known))
    rows = coverage_rows(cover)
    if as_json:
        for row in rows:
            emit(row)
    else:
        typer.echo(aligned(rows))
    say(f"Most wanted: {', '.join(cover.by_need()[:3]) or 'nothing'}.")


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


def show_editions(pool: PoolArgument, as_json: JsonOption = False) -> None:
    """List the editions, and those to use no longer because something was withdrawn.

    Example: `weedset pool editions pool`

    Example: `weedset pool editions pool --json`
    """
    for edition, gone in withdrawn_from(read_journal(open_pool(pool))):
        if as_json:
            emit({**asdict(edition), "withdrawn": gone})
        else:
            mark = "  material kept apart" if edition.apart else ""
            mark += f"  {counted(gone, 'contribution')} withdrawn: use a later one" if gone else ""
            typer.echo(
                f"{edition.number}  {edition.frozen_at[:10]}  {edition.tiles} tiles  "
                f"{edition.digest}{mark}"
            )


def freeze_pool(
    pool: PoolArgument,
    who: WhoOption,
    apart: Annotated[
        bool,
        typer.Option(
            "--apart",
            help="Of what open editions leave out because of its licence, and nothing else.",
        ),
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """Freeze an edition of all that is accepted. Where nothing changed, nothing is written.

    Example: `weedset pool freeze pool --who carla`

    Example: `weedset pool freeze /srv/weeds/pool --who carla`
    """
    opened = open_pool(pool)
    edition, is_new = freeze(opened, who, apart)
    say("Frozen." if is_new else "Nothing changed since the last edition.")
    folder = opened.edition(edition.number)
    if empty := empty_parts(read_journal(opened), edition):
        say(f"NOTE: {_lacking(empty)}")
    if as_json:
        facts = {"folder": str(folder), "new": is_new, "empty_parts": empty}
        emit({**asdict(edition), **facts})
    else:
        typer.echo(
            f"edition {edition.number}: {edition.tiles} tiles, {folder}, sha256 {edition.digest}"
        )


def _lacking(empty: Sequence[str]) -> str:
    """Return what an edition without some of its parts is not good for, and what to do."""
    hurt = "a model trained on it cannot be judged by it"
    if empty != ("test",):
        hurt = "no model can be trained on it"
    parts = f"part {empty[0]} is" if len(empty) == 1 else f"parts {' and '.join(empty)} are"
    return (
        f"the {parts} empty: {hurt}. A site goes whole into one part, so it takes three sites at "
        "least: accept contributions of more sites, then freeze again."
    )


def verify_pool(
    pool: Annotated[str, typer.Argument(help="The pool; or where one or an edition was sent.")],
    digest: DigestOption = "",
    as_json: JsonOption = False,
) -> None:
    """See whether everything in the pool is as it was written; names what is damaged.

    Example: `weedset pool verify pool`

    Example: `weedset pool verify s3://weeds/edition-1 --json`
    """
    findings, folder = Findings(), Path(pool)
    if "://" in pool or is_edition(folder) or is_copy(folder):
        leftover = verify_at(pool, findings, digest)
    else:
        leftover = verify(open_pool(folder), findings)
    if as_json:
        emit(
            {
                "sound": not findings.count,
                "damage": [asdict(f) for f in findings.shown],
                "leftover": leftover,
            }
        )
    for finding in findings.shown if not as_json else ():
        typer.echo(f"{finding}\n  do: {finding.fix}")
    for name in leftover if not as_json else ():
        typer.echo(f"{name} is left over from a stopped command; it hurts nothing")
    if findings.count:
        raise CheckNotPassedError(f"holds {counted(findings.count, 'fault')}", where=str(pool))
    say("All is as it was written.")


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
