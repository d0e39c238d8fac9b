"""How well a recipe does in a garden it never saw: once for each site, with that one held out.

This judges a recipe on the labels at hand, not a model: every fold's model is another one, and
the model to be used in the end has learned from all sites.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from training.evaluation.evaluate import trial
from training.evaluation.outcomes import Outcomes, pooled, tabulate
from training.evaluation.pairs import Pair
from training.evaluation.per_row import Planting, RowForecast, forecast
from training.evaluation.scores import Aspect, Scores, score
from training.export import export_model
from training.recipe import Recipe
from training.runs import read_run
from training.sources import Source, sites_of
from training.train import train
from weedset.board.model import BoardModel, open_model
from weedset.digests import bytes_digest
from weedset.errors import SettingsError, TrainingError
from weedset.modelcard import ModelCard
from weedset.records import ANY_PLANT, Policy
from weedset.splits import LEAST_SITES
from weedset.talk import say


@dataclass(frozen=True, slots=True)
class LeftOut:
    """The pooled scores of a recipe over all `sites`, each judged by a model that never saw it."""

    recipe: str
    policy: str
    edition_digest: str
    sites: tuple[str, ...]
    scores: Scores
    row: RowForecast | None


def leave_one_out(
    recipe: Recipe,
    source: Source,
    policy: Policy,
    out_dir: Path,
    by: Sequence[Aspect] = (),
    planting: Planting | None = None,
) -> LeftOut:
    """Train, export and judge once for each site, and score all held-out cells together.

    Each fold has its folder in `out_dir`, with its run and its model file; folds that are
    there already are not trained again, so a stopped call goes on where it was. Decisions are
    those of each fold's model by its own thresholds; one that lacks a species misses it.

    Raises TrainingError where there are too few sites or a fold cannot be trained, and
    SettingsError where `out_dir` holds folds of another recipe or of other labels.
    """
    source = replace(source, split=None)
    sites = sites_of(source.tiles)
    if len(sites) < LEAST_SITES:
        raise TrainingError(
            f"has labels on {len(sites)} sites; leaving one out takes at least {LEAST_SITES}: "
            "one to judge by, one to learn from, one to tune on",
            where=str(source.where),
            fix="label photos of more gardens, or judge by photo with `weedset evaluate`",
        )
    folds: list[tuple[ModelCard, list[Pair]]] = []
    for number, site in enumerate(sites, 1):
        say(f"site {number} of {len(sites)}: {site} is held out")
        model = _fold(recipe, source, site, out_dir / _folder_of(site))
        folds.append((model.card, trial(model, source, policy)))
    scores = score(pooled(list(_tables(folds, policy, source.cameras))), by)
    row = None if planting is None else forecast(scores, planting)
    return LeftOut(recipe.name, policy.name, source.digest, sites, scores, row)


def _fold(recipe: Recipe, source: Source, site: str, folder: Path) -> BoardModel:
    """Return the model of a fold, made unless it is there."""
    run_dir, path = folder / "run", folder / "model.onnx"
    if not (run_dir / "run.json").is_file():
        path.unlink(missing_ok=True)
        train(recipe, source, run_dir, [site])
    run = read_run(run_dir)
    if run.recipe != recipe or run.card.edition_digest != source.digest:
        other = "recipe" if run.recipe != recipe else "labels"
        what = f"holds a fold of other {other}".replace("other recipe", "another recipe")
        raise SettingsError(what, where=str(folder), fix="name a new folder with --out")
    if not path.is_file():
        export_model(run_dir, source, path)
    return open_model(path, threads=2)


def _tables(
    folds: Sequence[tuple[ModelCard, list[Pair]]], policy: Policy, cameras: Mapping[str, str]
) -> Iterator[Outcomes]:
    """Yield the cells of each fold, over the classes that any fold has."""
    known = {code for card, _ in folds for code in card.codes}
    codes = (ANY_PLANT, *sorted(known - {ANY_PLANT}))
    for card, pairs in folds:
        yield tabulate(pairs, card, policy, cameras, codes)


def _folder_of(site: str) -> str:
    """Return a folder's name for a site, whatever it is called."""
    return f"{re.sub(r'[^A-Za-z0-9-]+', '-', site)[:40]}-{bytes_digest(site.encode())[:8]}"
