"""The maintainer's last verbs: compare two models, release one, show what it does."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from training.parts import require_training
from weedset.board.decide import read_policy
from weedset.board.model import BoardModel, open_model
from weedset.cli.door import JsonOption, WorkspaceOption, emit
from weedset.records import Policy
from weedset.settings import open_workspace
from weedset.talk import say

ModelFile = Annotated[Path, typer.Argument(help="The model file (.onnx).")]
PolicyOption = Annotated[Path, typer.Option(help="The garden's policy (TOML).")]
AllOption = Annotated[
    bool,
    typer.Option("--all", help="All labelled photos, where a model has seen nothing of them."),
]


def add_release_verbs(app: typer.Typer) -> None:
    """Add the verbs to the program."""
    for verb in (compare,):
        app.command(verb.__name__)(verb)


def compare(
    new: Annotated[Path, typer.Argument(help="The new model file (.onnx).")],
    old: Annotated[Path, typer.Argument(help="The model file in use (.onnx).")],
    policy: PolicyOption,
    workspace: WorkspaceOption = Path(),
    everything: AllOption = False,
    as_json: JsonOption = False,
) -> None:
    """Compare a new model with the one in use, on photos that neither has learned from.

    Example: `weedset compare new.onnx old.onnx -w garden --policy beds.toml`

    Example: `weedset compare new.onnx old.onnx -w other-garden --policy beds.toml --all --json`
    """
    require_training()
    from training.compare import compare as run_compare
    from training.compare_text import comparison_record, comparison_table

    models = open_model(new, threads=2), open_model(old, threads=2)
    rule = _policy(policy, *models)
    found = run_compare(*models, open_workspace(workspace), rule, everything)
    if as_json:
        emit(comparison_record(found))
    else:
        typer.echo(comparison_table(found))
    say(models[0].card.caution)


def _policy(path: Path, *models: BoardModel) -> Policy:
    """Read a policy whose species one of the models at least can tell."""
    return read_policy(path, [code for model in models for code in model.card.codes])
