"""The maintainer's verbs that judge: evaluate a model, a recipe, and bound the harm of a model."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from textwrap import fill
from typing import Annotated

import typer

from training.evaluation.planting_option import BandOption, CropsOption, WeedsOption, planting_of
from training.parts import require_training
from training.source_option import EditionOption, RecipeArgument, open_source
from weedset.board.decide import TREAT_NOTHING, never_treated, read_policy, treats_nothing
from weedset.board.model import open_model
from weedset.cli.board import ModelOption
from weedset.cli.door import JsonOption, WorkspaceOption, emit, usage_error
from weedset.digests import require_writable
from weedset.errors import SettingsError
from weedset.modelcard import REMINDER, reminder
from weedset.talk import say


class _By(StrEnum):
    """By what cells are told apart."""

    SITE = "site"
    CAMERA = "camera"
    STAGE = "stage"


ByOption = Annotated[
    list[_By] | None,
    typer.Option("--by", help="Scores in parts as well. Give one for each."),
]
AllOption = Annotated[
    bool, typer.Option("--all", help="All labelled cells, of gardens that the model never saw.")
]
_NO_POLICY = "No policy given, so nothing is treated (--policy says what to remove)."
PolicyOption = Annotated[Path | None, typer.Option(help="The garden's policy (TOML).")]


def add_judging_verbs(app: typer.Typer) -> None:
    """Add the verbs to the program."""
    app.command("evaluate")(evaluate)
    app.command("leave-one-out")(leave_one_out)
    app.command("bound")(bound)


def evaluate(
    model: ModelOption,
    workspace: WorkspaceOption = Path(),
    edition: EditionOption = None,
    policy: PolicyOption = None,
    everything: AllOption = False,
    least_green: Annotated[
        float | None,
        typer.Option(
            min=0,
            max=1,
            help="Skip cells less green than this share, as a board may; counts misses.",
        ),
    ] = None,
    by: ByOption = None,
    weeds_per_m2: WeedsOption = None,
    crops_per_m: CropsOption = None,
    band_mm: BandOption = None,
    reliability: Annotated[
        Path | None, typer.Option(help="Draw the reliability curves into this file (.png, .svg).")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Judge a model file, as the board runs it, on what its card says was held out.

    Example: `weedset evaluate --model small.onnx -w garden --policy beds.toml --by site`

    Example: `weedset evaluate --model small.onnx -w my-garden --all --json`
    """
    require_training()
    from training.evaluation.evaluate import evaluate as judge
    from training.evaluation.evaluation_text import evaluation_record, evaluation_table
    from training.evaluation.reliability_plot import write_reliability

    planting = planting_of(weeds_per_m2, crops_per_m, band_mm)
    if reliability is not None:
        require_writable(reliability, SettingsError)
    opened = open_model(model, threads=2)
    rule = read_policy(policy, opened.card.codes) if policy else TREAT_NOTHING
    if policy is None:
        say(_NO_POLICY)
    elif why := treats_nothing(opened.card, rule):
        say(f"NOTE: nothing is treated, since {why}.")
    elif never := never_treated(opened.card, rule):
        say(
            f"NOTE: the policy removes {', '.join(never)}, which the model never treats: labels "
            "did not show from where on that is safe."
        )
    result = judge(
        opened,
        open_source(workspace, edition),
        rule,
        "all" if everything else "test",
        least_green,
        [item.value for item in by or []],
        planting,
    )
    if reliability is not None:
        write_reliability(result.scores.species, reliability)
        say(f"The reliability curves are in {reliability}.")
    if as_json:
        emit(evaluation_record(result))
    else:
        typer.echo(evaluation_table(result))
    say(reminder(opened.card))


def leave_one_out(
    recipe: RecipeArgument,
    out: Annotated[Path, typer.Option(help="Folder for the folds; goes on with what is there.")],
    policy: PolicyOption = None,
    workspace: WorkspaceOption = Path(),
    edition: EditionOption = None,
    by: ByOption = None,
    weeds_per_m2: WeedsOption = None,
    crops_per_m: CropsOption = None,
    band_mm: BandOption = None,
    as_json: JsonOption = False,
) -> None:
    """Judge a recipe: train once for each site, with that site held out to judge by.

    Takes as many trainings as there are sites. What is finished is kept, and the same
    command goes on from there.

    Example: `weedset leave-one-out small -w garden --out folds --policy beds.toml`

    Example: `weedset leave-one-out small --edition pool/editions/0001 --out folds`
    """
    require_training()
    from training.evaluation.leave_one_out import leave_one_out as run_folds
    from training.evaluation.leave_one_out_text import left_out_record, left_out_table
    from training.recipe import read_recipe

    planting = planting_of(weeds_per_m2, crops_per_m, band_mm)
    source = open_source(workspace, edition)
    named = sorted({code for tile in source.tiles for code in tile.statement.present})
    rule = read_policy(policy, named) if policy else TREAT_NOTHING
    if policy is None:
        say(_NO_POLICY)
    found = run_folds(
        read_recipe(recipe), source, rule, out, [item.value for item in by or []], planting
    )
    if as_json:
        emit(left_out_record(found))
    else:
        typer.echo(left_out_table(found))
    say(REMINDER)


def bound(
    model: Annotated[Path, typer.Argument(help="The model file (ONNX with its card).")],
    policy: Annotated[Path, typer.Option(help="The garden's policy, for which it will hold.")],
    at_most: Annotated[
        float, typer.Option(help="Share of protected cells that may be treated: 0.01 is 1 %.")
    ],
    out: Annotated[Path, typer.Option(help="The model file to write.")],
    confidence: Annotated[
        float, typer.Option(help="How surely: 0.95 is wrong once in 20 times.")
    ] = 0.95,
    workspace: WorkspaceOption = Path(),
    edition: EditionOption = None,
    everything: AllOption = False,
    keep: Annotated[
        list[str] | None,
        typer.Option(help="A held-out site to leave for judging. Give one for each."),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Make a model so strict that its harm to protected plants is bounded, or treats nothing.

    Uses sites that were held out, each counting as one. Exit code 3 says that they cannot
    support the bound: the file that is written then treats nothing at all.

    Example: `weedset bound small.onnx -w garden --policy beds.toml --at-most 0.05 --out safe.onnx`

    Example: `weedset bound small.onnx -w others --all --policy beds.toml --at-most 0.01
    --confidence 0.9 --out safe.onnx`
    """
    require_training()
    from training.evaluation.bound import Asked
    from training.evaluation.bound_file import (
        bound_file,
        bounded_lines,
        bounded_record,
        require_support,
    )

    for name, value in (("--at-most", at_most), ("--confidence", confidence)):
        if not 0 < value < 1:
            usage_error(f"{name} is {value:g}: give a share between 0 and 1, such as 0.05 for 5 %")
    codes = open_model(model).card.codes
    rule = read_policy(policy, codes)
    found = bound_file(
        model,
        open_source(workspace, edition),
        rule,
        Asked(at_most, confidence),
        out,
        "all" if everything else "test",
        keep or [],
    )
    if as_json:
        emit(bounded_record(found))
    else:
        typer.echo("\n".join(fill(line, 80) for line in bounded_lines(found, rule)))
    say(reminder(found.card))
    require_support(found, out)
