"""The verbs that send editions and pools to other places, and fetch them from there."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

from weedset.cli.door import JsonOption, emit
from weedset.cli.pool_options import DigestOption, PoolArgument
from weedset.pool.layout import open_pool
from weedset.pool.publishing import back_up, fetch, publish
from weedset.talk import counted, say


def publish_edition(
    pool: PoolArgument,
    number: Annotated[int, typer.Argument(help="The number of the edition.")],
    to: Annotated[str, typer.Argument(help="A folder, or an address such as s3://weeds/1.")],
    as_json: JsonOption = False,
) -> None:
    """Send an edition to a folder or an address; it is there once its last file is.

    What is there already is not sent again, and all that was sent is read back and compared.
    Nothing goes over the network unless the place is an address (with ://).

    Example: `weedset pool publish pool 1 /mnt/weeds/edition-1`

    Example: `weedset pool publish pool 1 s3://weeds/edition-1`
    """
    edition, moved = publish(open_pool(pool), number, to)
    say(f"Sent {counted(moved.moved, 'file')}; {moved.there} were there already.")
    if as_json:
        emit({"edition": edition.number, "at": to, "sha256": edition.digest, **asdict(moved)})
    else:
        typer.echo(f"edition {edition.number} is at {to}, sha256 {edition.digest}")


def back_up_pool(
    pool: PoolArgument,
    to: Annotated[str, typer.Argument(help="A folder, or an address that only you can read.")],
    as_json: JsonOption = False,
) -> None:
    """Keep a copy of the whole pool in a folder or at an address, or bring it up to date.

    Contributions in quarantine are in it too: keep it as private as the pool.

    Example: `weedset pool backup pool /mnt/copies/weeds`

    Example: `weedset pool backup pool s3://our-own/weeds`
    """
    moved = back_up(open_pool(pool), to)
    say(f"Sent {counted(moved.moved, 'file')}; {moved.there} were there already.")
    if as_json:
        emit({"at": to, **asdict(moved)})


def fetch_here(
    source: Annotated[str, typer.Argument(help="Where it was published or backed up.")],
    folder: Annotated[Path, typer.Argument(help="The folder that it becomes here.")],
    digest: DigestOption = "",
    as_json: JsonOption = False,
) -> None:
    """Fetch an edition, or the copy of a pool, and see that every file is what it should be.

    A stopped fetch goes on from what is here already.

    Example: `weedset pool fetch s3://weeds/edition-1 edition-1`

    Example: `weedset pool fetch /mnt/copies/weeds pool-again`
    """
    moved = fetch(source, folder, digest)
    say(f"Fetched {counted(moved.moved, 'file')}; {moved.there} were here already.")
    emit({"folder": str(folder), **asdict(moved)}) if as_json else typer.echo(str(folder))
