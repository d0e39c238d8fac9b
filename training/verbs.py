"""The maintainer's verbs, and the program `weedset` that has all verbs.

torch is imported inside the verbs that need it, so that the others start at once and
work where it is not installed.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

try:
    import typer
except ModuleNotFoundError as exc:  # the base install is for boards
    raise SystemExit(
        "The program weedset needs the desk part: pip install 'weedset[desk]'.\n"
        "On a board, use: python -m weedset.board"
    ) from exc

from training.judging_verbs import add_judging_verbs
from training.parts import require_training
from training.release_verbs import add_release_verbs
from training.source_option import EditionOption, open_source
from weedset.cli import app
from weedset.cli.door import WorkspaceOption

HeldOutOption = Annotated[
    list[str] | None,
    typer.Option(help="Site or photo to judge by, not to learn from. Give one for each."),
]


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
    require_training()
    from training.recipe import read_recipe
    from training.train import train as run_training

    run_training(read_recipe(recipe), open_source(workspace, edition), out, held_out or [])


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
    require_training()
    from training.export import export_model

    export_model(run, open_source(workspace, edition), out)


add_judging_verbs(app)
add_release_verbs(app)


def main() -> None:
    """Run the program."""
    app()
