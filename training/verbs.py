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
from weedset.cli.door import JsonOption, WorkspaceOption, emit
from weedset.errors import MissingPartError
from weedset.settings import open_workspace
from weedset.talk import say

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


def main() -> None:
    """Run the program."""
    app()
