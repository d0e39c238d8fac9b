"""The maintainer's verbs, and the program `weedset` that has all verbs.

torch is imported inside the verbs that need it, so that the others start at once and
work where it is not installed.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

try:
    import typer
except ModuleNotFoundError as exc:  # the base install is for boards
    raise SystemExit(
        "The program weedset needs the desk part: pip install 'weedset[desk]'.\n"
        "On a board, use: python -m weedset.board"
    ) from exc

from weedset.board.decide import TREAT_NOTHING, read_policy
from weedset.board.model import open_model
from weedset.cli import app
from weedset.cli.board import ModelOption
from weedset.cli.door import JsonOption, WorkspaceOption, emit, usage_error
from weedset.errors import MissingPartError
from weedset.pool.journal import read_journal
from weedset.pool.layout import open_pool
from weedset.pool.standing import one_of, standings
from weedset.reviewlist import write_review_list
from weedset.settings import open_workspace
from weedset.talk import follow, say

if TYPE_CHECKING:
    from training.sources import Source

HeldOutOption = Annotated[
    list[str] | None,
    typer.Option(help="Site or photo to judge by, not to learn from. Give one for each."),
]

EditionOption = Annotated[
    Path | None,
    typer.Option(help="An edition of a pool, instead of a workspace: pool/editions/0001, say."),
]


def _require_training() -> None:
    from importlib.util import find_spec

    for name in ("torch", "sklearn", "albumentations", "onnx"):
        if find_spec(name) is None:
            fix = "pip install 'weedset[train]'"
            raise MissingPartError(f"this needs the training part ({name} is absent)", fix=fix)


def _open_source(workspace: Path, edition: Path | None) -> Source:
    from training.sources import from_edition, from_workspace

    return from_edition(edition) if edition else from_workspace(open_workspace(workspace))


@app.command("train")
def train(
    recipe: Annotated[Path, typer.Argument(help="The recipe (TOML), such as configs/small.toml.")],
    out: Annotated[Path, typer.Option(help="Folder for the run.")],
    workspace: WorkspaceOption = Path(),
    edition: EditionOption = None,
    held_out: HeldOutOption = None,
) -> None:
    """Train a model on the labelled tiles of a workspace, or of an edition.

    Example: `weedset train configs/small.toml -w garden --out runs/small`

    Example: `weedset train configs/teacher.toml --edition pool/editions/0001 --out runs/big`
    """
    _require_training()
    from training.recipe import read_recipe
    from training.train import train as run_training

    run_training(read_recipe(recipe), _open_source(workspace, edition), out, held_out or [])


@app.command("export")
def export(
    run: Annotated[Path, typer.Argument(help="The folder of a run.")],
    out: Annotated[Path, typer.Option(help="The model file to write, such as small.onnx.")],
    workspace: WorkspaceOption = Path(),
    edition: EditionOption = None,
) -> None:
    """Make the int8 model file of a run, with its card, and check it against the float model.

    Example: `weedset export runs/small -w garden --out small.onnx`

    Example: `weedset export runs/big --edition pool/editions/0001 --out big.onnx`
    """
    _require_training()
    from training.export import export_model

    export_model(run, _open_source(workspace, edition), out)


@app.command("evaluate")
def evaluate(
    model: ModelOption,
    workspace: WorkspaceOption = Path(),
    policy: Annotated[Path | None, typer.Option(help="The garden's policy.")] = None,
    everything: Annotated[
        bool,
        typer.Option("--all", help="All labelled photos, of a workspace the model never saw."),
    ] = False,
    least_green: Annotated[
        float | None,
        typer.Option(min=0, max=1, help="Skip cells less green than this share; tells misses."),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Judge a model file, as the board runs it, on the photos that its card says were held out.

    Example: `weedset evaluate --model small.onnx -w garden --policy beds.toml`

    Example: `weedset evaluate --model small.onnx -w my-garden --all --json`
    """
    _require_training()
    from training.evaluate import evaluate as judge
    from training.evaluate import evaluation_record, evaluation_table

    opened = open_model(model, threads=2)
    rule = read_policy(policy, opened.card.codes) if policy else TREAT_NOTHING
    which: Literal["test", "all"] = "all" if everything else "test"
    result = judge(opened, open_workspace(workspace), rule, which, least_green)
    if as_json:
        emit(evaluation_record(result))
    else:
        typer.echo(evaluation_table(result))
    say(opened.card.caution)


@app.command("doubts")
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
    as_json: JsonOption = False,
) -> None:
    """List labels that may be wrong: what all the others, out of other photos, say of each.

    Nothing is changed. Tiles that a review decided already are not listed again.

    Example: `weedset doubts -w garden --to doubts.jsonl`

    Example: `weedset doubts --pool pool --only 3f9a --to doubts.jsonl`
    """
    _require_training()
    if only and not pool:
        usage_error("--only: names a contribution of a pool, so give --pool too")
    from training.annotators import pair_agreements
    from training.doubt_report import doubt_records, doubt_text, review_items
    from training.doubts import find_doubts, judged_classes, narrowed
    from training.embeddings import embed_tiles
    from training.told import of_pool, of_workspace

    item = None
    if pool:
        opened_pool = open_pool(pool)
        item = one_of(standings(read_journal(opened_pool)), only) if only else None
        gathered = of_pool(opened_pool, item)
    else:
        gathered = of_workspace(open_workspace(workspace))
    judged_classes(gathered.told)  # too few labels are told before the long part
    seen = embed_tiles(follow(gathered.pictures, len(gathered.told), "looking at tiles"))
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
    by = "sites" if found.folds_by == "site" else "photos"
    say(f"Each label was compared with those of other {by}. A doubt is no proof: look at the tile.")


def main() -> None:
    """Run the program."""
    app()
