"""The maintainer's verbs, and the program `weedset` that has all verbs.

torch is imported inside the verbs that need it, so that the others start at once and
work where it is not installed.
"""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from textwrap import fill
from typing import Annotated

try:
    import fcntl  # noqa: F401  (locks of workspaces and pools; Windows has none of these)
except ModuleNotFoundError as exc:
    raise SystemExit(
        "weedset needs Linux, or another Unix such as macOS. On Windows, install it inside the "
        "subsystem for Linux: docs/installing.md"
    ) from exc

try:
    import typer
except ModuleNotFoundError as exc:  # the base install is for boards
    raise SystemExit(
        "The program weedset needs the desk part: pip install 'weedset[desk]'.\n"
        "On a board, use: python -m weedset.board"
    ) from exc

from training.doubting.doubt_verb import add_doubt_verb
from training.evaluation.judging_verbs import add_judging_verbs
from training.parts import require_training
from training.recipe import given_recipe, given_recipes, read_recipe, told_of
from training.releasing.release_verbs import add_release_verbs
from training.source_option import EditionOption, RecipeArgument, open_source
from weedset.cli import app
from weedset.cli.door import JsonOption, WorkspaceOption, emit

HeldOutOption = Annotated[
    list[str] | None,
    typer.Option(help="Site or photo to judge by, not to learn from. Give one for each."),
]


@app.command("recipes")
def recipes(
    name: Annotated[str | None, typer.Argument(help="Print this one, to copy and change.")] = None,
    as_json: JsonOption = False,
) -> None:
    """List the recipes that come with weedset, or print one.

    Example: `weedset recipes`

    Example: `weedset recipes teacher > mine.toml`

    Example: `weedset recipes small --json`
    """
    chosen = given_recipes() if name is None else {name: given_recipe(name)}
    for each, path in chosen.items():
        if as_json:
            emit({"record": "recipe", **asdict(read_recipe(path)), "told": told_of(path)})
        elif name is None:
            typer.echo(fill(f"{each:<11}{told_of(path)}", 80, subsequent_indent=" " * 11))
        else:
            typer.echo(path.read_text("utf-8"), nl=False)


@app.command("train")
def train(
    recipe: RecipeArgument,
    out: Annotated[Path, typer.Option(help="Folder for the run.")],
    workspace: WorkspaceOption = Path(),
    edition: EditionOption = None,
    held_out: HeldOutOption = None,
    teacher: Annotated[
        Path | None, typer.Option(help="The finished run that a student learns from.")
    ] = None,
    workers: Annotated[
        int | None,
        typer.Option(min=0, max=256, help="Processes that prepare tiles; changes no result."),
    ] = None,
) -> None:
    """Train a model on the labelled tiles of a workspace, or of an edition.

    A run that was stopped goes on when the same command is given again.

    Example: `weedset train teacher --edition pool/editions/0001 --out runs/big`

    Example: `weedset train student15 -w garden --out runs/small --teacher runs/big`
    """
    require_training()
    from training.train import train as run_training

    run_training(
        read_recipe(recipe),
        open_source(workspace, edition),
        out,
        held_out or [],
        teacher_dir=teacher,
        workers=workers,
    )


@app.command("adapt")
def adapt(
    run: Annotated[Path, typer.Argument(help="The folder of the run to start from.")],
    out: Annotated[Path, typer.Option(help="Folder for the adapted run.")],
    workspace: WorkspaceOption = Path(),
    held_out: HeldOutOption = None,
    as_json: JsonOption = False,
) -> None:
    """Fit a released model to one's own garden, and say whether that made it better.

    About 200 labelled tiles of ten or more photos will do. What the model says of species that
    nobody looked for stays.

    Example: `weedset adapt runs/released -w my-garden --out runs/mine`

    Example: `weedset adapt runs/released -w my-garden --out runs/mine --held-out IMG_0007.jpg`
    """
    require_training()
    from training.adapt import adapt as run_adaptation

    adapted = run_adaptation(run, open_source(workspace, None), out, held_out or [])
    if as_json:
        gain = adapted.gain
        told = {**asdict(gain), "verdict": gain.verdict} if gain else None
        emit({"record": "adaptation", "gain": told, "new_species": adapted.new_species})


@app.command("export")
def export(
    run: Annotated[Path, typer.Argument(help="The folder of a run.")],
    out: Annotated[Path, typer.Option(help="The model file to write, such as small.onnx.")],
    workspace: WorkspaceOption = Path(),
    edition: EditionOption = None,
) -> None:
    """Make the model file of a run for the board (int8), and check it against the float model.

    Example: `weedset export runs/small -w garden --out small.onnx`

    Example: `weedset export runs/big --edition pool/editions/0001 --out big.onnx`
    """
    require_training()
    from training.export import export_model

    export_model(run, open_source(workspace, edition), out)


add_judging_verbs(app)
add_doubt_verb(app)
add_release_verbs(app)


def main() -> None:
    """Run the program."""
    app()


if __name__ == "__main__":  # for torchrun -m training.verbs
    main()
