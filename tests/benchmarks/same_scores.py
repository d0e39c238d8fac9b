"""Whether one recipe comes to the same scores on a processor, on one card and on two.

    python tests/benchmarks/same_scores.py WORKSPACE RUNS [--recipe teacher] [--batch 32]

Trains a recipe of configs/ in several ways at once, all on the same split and for each seed:
on the processor, on one graphics card, on one that is stopped halfway and goes on, and on two.
Prints the area under the ROC curve of each on the photos held out, and how far each way is
from the processor, beside how far seeds are from each other: differences of ways within those
of seeds are noise. Ways that this machine cannot go are left out, and it says so.
"""

from __future__ import annotations

import argparse
import re
import signal
import subprocess
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from time import perf_counter, sleep

import numpy as np
import torch

from tests.benchmarks.gpu_training import cards_seen, train_on
from tests.benchmarks.real_photos import CONFIGS, held_out_answers, marks
from training.runs import finished, read_run
from training.sources import from_workspace
from weedset.settings import open_workspace

ROOT = Path(__file__).parents[2]


@dataclass(frozen=True, slots=True)
class Way:
    """A way to train: on so many cards, with so many threads, stopped once or not."""

    name: str
    cards: int
    threads: int
    workers: int
    stopped: bool = False


WAYS = (
    Way("processor", 0, 6, 2),
    Way("one card", 1, 1, 2),
    Way("one card, stopped once", 1, 1, 2, stopped=True),
    Way("two cards", 2, 1, 1),
)


def learn(way: Way, recipe: Path, workspace: Path, out: Path) -> None:
    """Train once, all that is said into a file beside the run."""
    if finished(out):
        return
    words = [recipe, "-w", workspace, "--out", out, "--workers", way.workers]
    command = [*train_on(way.cards), *map(str, words)]
    env = {**cards_seen(way.cards), "OMP_NUM_THREADS": str(way.threads)}
    said = out.with_suffix(".log")
    start = perf_counter()
    with said.open("w") as log:
        if way.stopped:
            _stop_halfway(subprocess.Popen(command, env=env, stderr=log), said)
        if subprocess.run(command, env=env, stderr=log).returncode:
            raise SystemExit(f"{out.name} failed: see {said}")
    print(f"{out.name}: {perf_counter() - start:.0f} s", flush=True)


def _stop_halfway(running: subprocess.Popen[bytes], said: Path) -> None:
    while running.poll() is None:
        told = re.findall(r"^epoch (\d+) of (\d+)", said.read_text(), re.M)
        if told and 2 * int(told[-1][0]) >= int(told[-1][1]):
            running.send_signal(signal.SIGTERM)
            print(f"{said.stem}: stopped after epoch {told[-1][0]}", flush=True)
            break
        sleep(0.05)
    running.wait()


def main() -> None:
    """Train in all ways, and print the table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("workspace", type=Path)
    parser.add_argument("runs", type=Path)
    parser.add_argument("--recipe", default="teacher")
    parser.add_argument("--batch", type=int)
    parser.add_argument("--epochs", type=int)
    parser.add_argument("--seeds", type=int, nargs="+", default=[1, 2, 3])
    told = parser.parse_args()
    told.runs.mkdir(parents=True, exist_ok=True)
    cards = torch.cuda.device_count()
    ways = [way for way in WAYS if way.cards <= cards]
    print(f"{cards} cards; left out: {[way.name for way in WAYS if way not in ways]}")
    jobs = []
    for seed in told.seeds:
        text = (CONFIGS / f"{told.recipe}.toml").read_text()
        for field, value in (("seed", seed), ("batch_size", told.batch), ("epochs", told.epochs)):
            if value is not None:
                text = re.sub(rf"^{field} = .*$", f"{field} = {value}", text, flags=re.M)
        recipe = told.runs / f"{seed}.toml"
        recipe.write_text(text)
        jobs += [(way, recipe, told.runs / f"{seed}-{way.name.replace(' ', '_')}") for way in ways]
    with ThreadPoolExecutor(len(jobs)) as pool:
        list(pool.map(lambda job: learn(job[0], job[1], told.workspace, job[2]), jobs))

    source = from_workspace(open_workspace(told.workspace))
    codes = read_run(jobs[0][2]).card.codes
    found = np.array([marks(*held_out_answers(source, out)) for _, _, out in jobs])
    found = found.reshape(len(told.seeds), len(ways), 2, len(codes))
    print(f"recipe {told.recipe}, batch {told.batch or 'as it is'}, seeds {told.seeds}")
    for mark, name in enumerate(("area under ROC", "average precision")):
        print(f"{name}, mean over seeds (standard deviation over seeds), largest difference")
        for i, way in enumerate(ways):
            parts = [
                f"{code} {found[:, i, mark, j].mean():.4f} ({found[:, i, mark, j].std(ddof=1):.4f})"
                f" {np.abs(found[:, i, mark, j] - found[:, 0, mark, j]).max():.4f}"
                for j, code in enumerate(codes)
            ]
            print(f"  {way.name:24s}{'   '.join(parts)}")


if __name__ == "__main__":
    main()
