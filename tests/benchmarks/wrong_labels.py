"""What wrong labels cost, and whether `label_smoothing` tolerates them: on real photos.

    python tests/benchmarks/wrong_labels.py WORKSPACE RUNS [--recipe small] [--at-once 6]

In a share of the tiles to learn from (none, 5 %, 20 %) the label is replaced by another one,
drawn as `label_doubts.py` draws it; the tiles to judge by keep theirs. Trains the recipe with
each smoothing and seed, and prints the average precision on the photos held out: mean over
seeds (standard deviation), each species, and how far probabilities are wrong (ECE).
"""

from __future__ import annotations

import argparse
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tests.benchmarks.real_photos import CONFIGS, held_out_answers
from training.calibration import reliability
from training.metrics import average_precision
from training.recipe import read_recipe
from training.runs import finished, read_run
from training.sources import Source, from_workspace, split_of
from training.train import train
from weedset.records import LabelledTile, Verdict
from weedset.settings import open_workspace


def planted(source: Source, share: float, seed: int) -> Source:
    """Return the source with wrong labels in a share of the tiles to learn from."""
    rng = np.random.default_rng(seed)
    learned = list(split_of(source, ()).train)
    codes = sorted({code for item in learned for code in item.statement.present})
    answers = [frozenset[str](), *(frozenset({code}) for code in codes)]
    wrong = {}
    for i in rng.choice(len(learned), round(share * len(learned)), replace=False).tolist():
        others = [answer for answer in answers if answer != learned[i].statement.present]
        wrong[_cell(learned[i])] = others[rng.integers(len(others))]
    return replace(source, tiles=tuple(_said(item, wrong) for item in source.tiles))


def _cell(item: LabelledTile) -> tuple[str, int, int]:
    return item.tile.photo_digest, item.tile.row, item.tile.col


def _said(item: LabelledTile, wrong: dict[tuple[str, int, int], frozenset[str]]) -> LabelledTile:
    if _cell(item) not in wrong:
        return item
    present = wrong[_cell(item)]
    verdict = Verdict.PLANTS if present else Verdict.BARE
    return replace(
        item, statement=replace(item.statement, verdict=verdict, present=present, stages=())
    )


def marks(source: Source, folder: Path) -> NDArray[np.float64]:
    """Return average precision and expected calibration error per class, (2, classes)."""
    truth, found = held_out_answers(source, folder)
    each = range(truth.shape[1])
    precision = [average_precision(truth[:, i], found[:, i]) for i in each]
    errors = [reliability(truth[:, i], found[:, i]) for i in each]
    return np.array([precision, [item.error if item else np.nan for item in errors]], float)


def main() -> None:
    """Train one run, or all and print the table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("workspace", type=Path)
    parser.add_argument("runs", type=Path)
    parser.add_argument("--recipe", default="small")
    parser.add_argument("--shares", type=float, nargs="+", default=[0.0, 0.05, 0.2])
    parser.add_argument("--smoothings", type=float, nargs="+", default=[0.0, 0.05, 0.1])
    parser.add_argument("--seeds", type=int, nargs="+", default=[1, 2, 3])
    parser.add_argument("--at-once", type=int, default=1)
    parser.add_argument("--workers", type=int)
    parser.add_argument("--one", type=float, nargs=2, metavar=("SHARE", "SMOOTHING"))
    told = parser.parse_args()
    source = from_workspace(open_workspace(told.workspace))
    if told.one:
        (share, smoothing), seed = told.one, told.seeds[0]
        recipe = read_recipe(CONFIGS / f"{told.recipe}.toml")
        recipe = replace(recipe, seed=seed, label_smoothing=smoothing)
        train(recipe, planted(source, share, seed), told.runs, workers=told.workers)
        return
    jobs = [
        (share, smoothing, seed)
        for share in told.shares
        for smoothing in told.smoothings
        for seed in told.seeds
    ]
    told.runs.mkdir(parents=True, exist_ok=True)

    def out(job: tuple[float, float, int]) -> Path:
        return Path(told.runs / "-".join(map(str, job)))

    def learn(job: tuple[float, float, int]) -> None:
        if finished(out(job)):
            return
        share, smoothing, seed = job
        words = [told.workspace, out(job), "--recipe", told.recipe, "--seeds", seed]
        words += ["--one", share, smoothing]
        words += [] if told.workers is None else ["--workers", told.workers]
        with Path(f"{out(job)}.log").open("w") as log:
            subprocess.run([sys.executable, __file__, *map(str, words)], stderr=log, check=True)
        print(f"{out(job).name} is trained", flush=True)

    with ThreadPoolExecutor(told.at_once) as pool:
        list(pool.map(learn, jobs))
    codes = read_run(out(jobs[0])).card.codes
    found = np.array([marks(source, out(job)) for job in jobs])
    found = found.reshape(len(told.shares), len(told.smoothings), len(told.seeds), 2, len(codes))
    print(f"recipe {told.recipe}, seeds {told.seeds}")
    for i, share in enumerate(told.shares):
        for j, smoothing in enumerate(told.smoothings):
            cells = [
                f"{code} {found[i, j, :, 0, k].mean():.3f} ({found[i, j, :, 0, k].std(ddof=1):.3f})"
                f", off {found[i, j, :, 1, k].mean():.3f}"
                for k, code in enumerate(codes)
            ]
            print(f"wrong {share:4.0%}, smoothing {smoothing:g}: {'   '.join(cells)}")


if __name__ == "__main__":
    main()
