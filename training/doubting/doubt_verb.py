"""The verb that doubts labels, for a workspace or for a pool."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from training.parts import require_training
from weedset.cli.door import JsonOption, WorkspaceOption, emit, usage_error
from weedset.cli.options import ClusterOption
from weedset.digests import require_writable
from weedset.errors import LabelError
from weedset.hands import cluster_executor
from weedset.pool.journal import read_journal
from weedset.pool.layout import open_pool
from weedset.pool.standing import one_of, standings
from weedset.reviewlist import write_review_list
from weedset.settings import open_workspace
from weedset.talk import counted, follow, say


def add_doubt_verb(app: typer.Typer) -> None:
    """Add the verb to the program."""
    app.command("doubts")(doubts)


def doubts(
    workspace: WorkspaceOption = Path(),
    pool: Annotated[
        Path | None, typer.Option(help="A pool, instead of a workspace: what is accepted there.")
    ] = None,
    only: Annotated[
        str,
        typer.Option(help="Only the labels of this contribution of the pool; it may still wait."),
    ] = "",
    to: Annotated[
        Path | None, typer.Option(help="Write the list for `weedset label --review` here.")
    ] = None,
    most: Annotated[
        int | None,
        typer.Option(min=1, help="List so many at most; a twentieth of all labels if not set."),
    ] = None,
    cluster: ClusterOption = "",
    as_json: JsonOption = False,
) -> None:
    """List labels that may be wrong: those that do not fit the labels of all other photos.

    Nothing is changed. Tiles that a review decided already are not listed again.

    Example: `weedset doubts -w garden --to doubts.jsonl`

    Example: `weedset doubts --pool pool --only 3f9a --to doubts.jsonl`
    """
    require_training()
    if only and not pool:
        usage_error("--only: names a contribution of a pool, so give --pool too")
    from training.doubting.annotators import pair_agreements
    from training.doubting.doubt_report import doubt_records, doubt_text, review_items
    from training.doubting.doubts import FEW_PHOTOS, find_doubts, judged_classes, narrowed
    from training.doubting.embeddings import embed_tiles
    from training.doubting.told import of_pool, of_workspace

    if to:
        require_writable(to, LabelError)
    item = None
    if pool:
        opened_pool = open_pool(pool)
        item = one_of(standings(read_journal(opened_pool)), only) if only else None
        gathered = of_pool(opened_pool, item)
    else:
        gathered = of_workspace(open_workspace(workspace))
    judged_classes(gathered.told)  # too few labels are told before the long part
    pictures = follow(gathered.pictures, len(gathered.told), "looking at tiles")
    with cluster_executor(cluster) as executor:
        seen = embed_tiles(pictures, executor)
    found = narrowed(
        find_doubts(gathered.told, seen), gathered.told, item.digest if item else "", most
    )
    pairs = pair_agreements(gathered.sayings)
    if to:
        write_review_list(to, review_items(gathered.told, found))
    if as_json:
        for record in doubt_records(gathered.told, found, pairs):
            emit(record)
    else:
        typer.echo(doubt_text(gathered.told, found, pairs))
    if found.not_judged:
        say(f"Too few labels to judge: {', '.join(found.not_judged)}.")
    photos = len({told.photo for told in gathered.told})
    if photos < FEW_PHOTOS:
        say(
            f"NOTE: {counted(photos, 'photo')} teach so little that sound labels are contradicted "
            "too: look at the worst ones, and believe none of the shares."
        )
    by = "sites" if found.folds_by == "site" else "photos"
    say(f"Each label was compared with those of other {by}. A doubt is no proof: look at the tile.")
