"""The verbs that freeze editions, tell what is in them, and hand them on as folders."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

from weedset.cli.door import JsonOption, emit
from weedset.cli.pool_options import (
    ApartOption,
    DigestOption,
    PoolArgument,
    WhoOption,
)
from weedset.errors import CheckNotPassedError
from weedset.findings import Findings
from weedset.pool.coverage import (
    aligned,
    call_text,
    coverage_rows,
    measure_coverage,
    write_call,
)
from weedset.pool.coverage_plot import draw_coverage
from weedset.pool.editions import empty_parts, freeze
from weedset.pool.folders import export_folders
from weedset.pool.frozen import is_edition
from weedset.pool.journal import read_journal
from weedset.pool.layout import open_pool
from weedset.pool.publishing import is_copy, verify_at
from weedset.pool.soundness import verify
from weedset.pool.withdrawal import withdrawn_from
from weedset.talk import counted, say
from weedset.taxonomy import load_species


def show_coverage(
    pool: PoolArgument,
    plot: Annotated[
        Path | None, typer.Option(help="Draw species by stage into this file (.png, .svg, .pdf).")
    ] = None,
    call: Annotated[
        Path | None, typer.Option(help="Write a call for contributions (Markdown) here.")
    ] = None,
    apart: ApartOption = False,
    as_json: JsonOption = False,
) -> None:
    """Show what the next edition would hold, by species, stage, light and site, and its gaps.

    Example: `weedset pool coverage pool`

    Example: `weedset pool coverage pool --plot coverage.png --call call.md`
    """
    cover, known = measure_coverage(open_pool(pool), apart), load_species()
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


def freeze_pool(
    pool: PoolArgument,
    who: WhoOption,
    apart: ApartOption = False,
    as_json: JsonOption = False,
) -> None:
    """Freeze an edition of all that is accepted. Where nothing changed, nothing is written.

    Example: `weedset pool freeze pool --who carla`

    Example: `weedset pool freeze pool --who carla --apart`
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


def export_edition(
    edition: Annotated[Path, typer.Argument(help="The folder of an edition.")],
    to: Annotated[Path, typer.Option(help="The folder to make.")],
    several: Annotated[
        bool,
        typer.Option(
            "--several",
            help="Put what shows several plants into a folder named after them all, such as "
            "CHEAL+DAUCS; else it stays out.",
        ),
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """Write an edition as folders of pictures, one for each species, for other trainers.

    Only tiles of which one thing is said go in: one species, or bare ground. A table beside
    the folders has all tiles, with giver and licence, and says why the others stayed out.

    Example: `weedset pool export pool/editions/0001 --to folders`

    Example: `weedset pool export pool/editions/0001 --to folders --several`
    """
    done = export_folders(edition, to, several)
    for name, count in done.classes.items():
        emit({"class": name, "pictures": count}) if as_json else typer.echo(f"{name}: {count}")
    for why, count in done.left_out.items():
        say(f"left out, {why}: {count}")
        if as_json:
            emit({"left_out": why, "pictures": count})
