"""The maintainer's last verbs: compare two models, release one, show what it does."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from training.evaluation.planting_option import BandOption, CropsOption, WeedsOption, planting_of
from training.parts import require_training
from training.source_option import EditionOption, open_source
from weedset.board.decide import read_policy, treats_nothing
from weedset.board.model import BoardModel, open_model
from weedset.cli.door import JsonOption, WorkspaceOption, emit, usage_error
from weedset.modelcard import reminder
from weedset.records import Policy
from weedset.talk import counted, say

ModelFile = Annotated[Path, typer.Argument(help="The model file (.onnx).")]
PolicyOption = Annotated[Path, typer.Option(help="The garden's policy (TOML).")]
UnseenOption = Annotated[
    bool,
    typer.Option(
        "--unseen",
        help="A model has seen nothing of this where nothing held out from it is here.",
    ),
]


def add_release_verbs(app: typer.Typer) -> None:
    """Add the verbs to the program."""
    for verb in (compare, report, release, released):
        app.command(verb.__name__)(verb)


def compare(
    new: Annotated[Path, typer.Argument(help="The new model file (.onnx).")],
    old: Annotated[Path, typer.Argument(help="The model file in use (.onnx).")],
    policy: PolicyOption,
    workspace: WorkspaceOption = Path(),
    edition: EditionOption = None,
    unseen: UnseenOption = False,
    as_json: JsonOption = False,
) -> None:
    """Compare a new model with the one in use, on cells that neither has learned from.

    Example: `weedset compare new.onnx old.onnx -w garden --policy beds.toml`

    Example: `weedset compare new.onnx old.onnx --edition pool/editions/0002 --policy beds.toml`
    """
    require_training()
    from training.releasing.compare import compare as run_compare
    from training.releasing.compare_text import comparison_record, comparison_table

    models = open_model(new, threads=2), open_model(old, threads=2)
    rule = _policy(policy, *models)
    for path, model in zip((new, old), models, strict=True):
        if why := treats_nothing(model.card, rule):
            say(f"NOTE: {path} treats nothing, since {why}.")
    found = run_compare(*models, open_source(workspace, edition), rule, unseen)
    if as_json:
        emit(comparison_record(found))
    else:
        typer.echo(comparison_table(found))
    say(reminder(models[0].card))


def report(
    model: ModelFile,
    policy: PolicyOption,
    out: Annotated[Path, typer.Option(help="The file to write, such as report.html.")],
    workspace: WorkspaceOption = Path(),
    edition: EditionOption = None,
    everything: Annotated[
        bool,
        typer.Option("--all", help="All labelled cells, of gardens that the model never saw."),
    ] = False,
    weeds_per_m2: WeedsOption = None,
    crops_per_m: CropsOption = None,
    band_mm: BandOption = None,
) -> None:
    """Write what a model does, with its worst errors as pictures, into one file to look at.

    Example: `weedset report small.onnx -w garden --policy beds.toml --out report.html`

    Example: `weedset report small.onnx -w my-garden --policy beds.toml --all --out mine.html`
    """
    require_training()
    from training.releasing.report import write_report

    planting = planting_of(weeds_per_m2, crops_per_m, band_mm)
    opened = open_model(model, threads=2)
    rule = _policy(policy, opened)
    write_report(opened, open_source(workspace, edition), rule, out, everything, planting)
    say(f"{out} is written. It holds pictures of your ground: look before you hand it on.")


def release(
    model: ModelFile,
    run: Annotated[Path, typer.Option(help="The folder of the run that the model is of.")],
    policy: PolicyOption,
    out: Annotated[Path, typer.Option(help="The folder to make, such as releases/beds-2.")],
    workspace: WorkspaceOption = Path(),
    edition: EditionOption = None,
    against: Annotated[Path | None, typer.Option(help="The model in use (.onnx).")] = None,
    first: Annotated[bool, typer.Option("--first", help="There is no model in use yet.")] = False,
    unseen: UnseenOption = False,
    idle: Annotated[
        bool, typer.Option("--treats-nothing", help="The model is meant to treat nothing.")
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """Release a model, unless something speaks against it: then exit code 3, and why.

    Example: `weedset release new.onnx --run runs/new -w garden --policy beds.toml
    --against old.onnx --out releases/beds-2`

    Example: `weedset release new.onnx --run runs/new -w garden --policy beds.toml
    --first --out releases/beds-1`
    """
    if against is not None and first:
        usage_error("--first says that no model is in use, and --against names one")
    require_training()
    from training.releasing.release import release as run_release
    from training.releasing.report_words import headline

    source = open_source(workspace, edition)
    done = run_release(model, run, source, policy, out, against, first, unseen, idle)
    if as_json:
        emit({"record": "released", "folder": str(done.folder), "manifest_sha256": done.digest})
    judged = done.judged
    say(headline(judged.evaluation))
    if judged.idle:
        say(f"NOTE: it treats NOTHING under this policy, since {judged.idle}.")
    say(f"Released as {done.folder}, under {judged.licence.id}; manifest {done.digest[:12]}.")
    say("Read its README.md and CAUTIONS.md over before you hand it on.")


def released(
    folder: Annotated[Path, typer.Argument(help="The folder of a release.")],
    as_json: JsonOption = False,
) -> None:
    """Check that a release is whole, and that its parts belong together.

    Example: `weedset released releases/beds-2`

    Example: `weedset released releases/beds-2 --json`
    """
    from training.releasing.release_check import check_release

    whole = check_release(folder)
    if as_json:
        emit({"record": "release", "name": whole.card.name, "manifest_sha256": whole.digest})
    say(f"{folder} is whole: {whole.card.name}, {counted(len(whole.files), 'file')} as they were.")


def _policy(path: Path, *models: BoardModel) -> Policy:
    """Read a policy whose species one of the models at least can tell."""
    return read_policy(path, [code for model in models for code in model.card.codes])
