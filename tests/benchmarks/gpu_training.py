"""How quickly Lite0 learns on one graphics card and on several, and how long they wait.

    python tests/benchmarks/gpu_training.py FOLDER [--cards 1 2] [--workers 4 8 15] [--limits]

`--limits` prints instead what each half does without the other: the card learning one batch again
and again, and workers preparing tiles that nobody learns from. Training can be no quicker than
the slower of the two.

Draws a workspace of about 28 000 tiles of noise into FOLDER if it is not there (half a minute
on 16 cores), trains the teacher's recipe on it with large batches, and prints a table and one
line of JSON. The noise is smooth, so that its JPEGs are of the size of real ones. What is
learned means nothing.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from time import perf_counter

import numpy as np
import torch
import torch.distributed as dist
from PIL import Image
from torch.nn.parallel import DistributedDataParallel
from torch.profiler import ProfilerActivity, profile

from training.augment import Augmenter
from training.backbones import build_backbone
from training.datasets import Steps, TileDataset, training_loader
from training.distributed import World
from training.learner import Learner
from training.recipe import read_recipe
from training.runs import read_run
from training.sources import from_workspace
from weedset.records import Batch, CameraProfile, Origin, Statement, Verdict
from weedset.settings import create_workspace, open_workspace
from weedset.store import open_store
from weedset.tiling import cut_photos

ROOT = Path(__file__).parents[2]
TILE_PX, ROWS, COLS = 128, 14, 20
SITES, PHOTOS_EACH = 10, 10
SPECIES = ("CHEAL", "DAUCS", "STEME", "POAAN")

RECIPE = """name = "gpu"
backbone = "lite0"
input_px = 96
epochs = {epochs}
batch_size = {batch}
learning_rate = 0.001
weight_decay = 0.02
dropout = 0.2
most_pos_weight = 10
least_examples = 20
seed = 1
"""


def draw_workspace(folder: Path) -> None:
    """Make a workspace of labelled noise."""
    rng = np.random.default_rng(1)
    photos = folder / "photos"
    photos.mkdir(parents=True)
    paths: dict[str, list[Path]] = {}
    for site in (f"site-{i}" for i in range(SITES)):
        paths[site] = [photos / f"{site}-{i}.jpg" for i in range(PHOTOS_EACH)]
        for path in paths[site]:
            coarse = rng.integers(0, 256, (ROWS * TILE_PX // 8, COLS * TILE_PX // 8, 3), np.uint8)
            picture = Image.fromarray(coarse).resize((COLS * TILE_PX, ROWS * TILE_PX))
            picture.save(path, quality=92)
    workspace = create_workspace(folder / "workspace", 50, TILE_PX, "drop")
    profile = CameraProfile("noise", None, None, None, 50 / TILE_PX, None, None, None)
    with open_store(workspace) as store:
        for site, names in paths.items():
            batch = Batch(f"{site}-1", site, "2026-05-01", "nobody", "CC0-1.0", ())
            for result in cut_photos(names, profile, workspace, workers=os.cpu_count() or 1):
                assert result.cut is not None
                store.add_photo(batch, result.cut.photo, result.cut.tiles)
                store.set_checklist(batch.id, SPECIES)
                store.add_statements(
                    [
                        ((tile.photo_digest, tile.row, tile.col), _said(rng))
                        for tile in result.cut.tiles
                    ]
                )
    shutil.rmtree(photos)


def _said(rng: np.random.Generator) -> Statement:
    here = frozenset(code for code in SPECIES if rng.random() < 0.3)
    verdict = Verdict.PLANTS if here else Verdict.BARE
    return Statement("nobody", Origin.MASK, verdict, present=here)


def train_on(cards: int) -> list[str]:
    """Return the words that start training on so many cards, or on the processor."""
    starter = [sys.executable]
    if cards > 1:
        starter += ["-m", "torch.distributed.run", "--standalone", "--nproc-per-node", str(cards)]
    return [*starter, "-m", "training.verbs", "train"]


def cards_seen(cards: int) -> dict[str, str]:
    """Return the environment in which this code runs and sees so many cards."""
    beside = filter(None, (str(ROOT), os.environ.get("PYTHONPATH")))
    seen = ",".join(map(str, range(cards)))
    return {**os.environ, "PYTHONPATH": os.pathsep.join(beside), "CUDA_VISIBLE_DEVICES": seen}


def measured(folder: Path, cards: int, workers: int, batch: int, epochs: int) -> dict[str, object]:
    """Train once; return speed and waiting without the first epoch, which starts all up."""
    recipe, out = folder / "gpu.toml", folder / f"run-{cards}-{workers}-{batch}"
    recipe.write_text(RECIPE.format(batch=batch * cards, epochs=epochs))
    shutil.rmtree(out, ignore_errors=True)
    words = [recipe, "-w", folder / "workspace", "--out", out]
    limits = ["--held-out", "site-0", "--workers", str(workers)]
    start = perf_counter()
    command = [*train_on(cards), *map(str, words), *limits]
    subprocess.run(command, env=cards_seen(cards), check=True)
    run = read_run(out)
    warm = run.epochs[1:]
    seconds = sum(epoch.seconds for epoch in warm)
    return {
        "cards": cards,
        "workers_per_card": workers,
        "batch_per_card": batch,
        "tiles_per_s": sum(epoch.tiles_per_s * epoch.seconds for epoch in warm) / seconds,
        "wait_share": sum(epoch.wait_share * epoch.seconds for epoch in warm) / seconds,
        "first_epoch_s": run.epochs[0].seconds,
        "whole_s": perf_counter() - start,
    }


@dataclass(frozen=True, slots=True)
class Alone:
    """What a card does that never waits for tiles.

    `asking_share` is the share of time the program takes to ask for the work: at 1 the card
    waits for the program. `busy_share` is that in which the card computes.
    """

    tiles_per_s: float
    asking_share: float
    busy_share: float


def card_alone(batch: int, *, talk: str = "none", steps: int = 60) -> Alone:
    """Learn from one batch again and again, on one card.

    `talk` is how gradients would be summed over several: "none" for one card alone, "ours", or
    "ddp" for torch's DistributedDataParallel. There is nobody to talk to, so that what it adds
    is the asking.
    """
    recipe = read_recipe(ROOT / "configs" / "teacher.toml")
    world = World(0, 2 if talk == "ours" else 1, 1, torch.device("cuda", 0))
    model = build_backbone("lite0", len(SPECIES), dropout=recipe.dropout, pretrained=True)
    learner = Learner(model, recipe, np.ones(len(SPECIES), np.float32), world)
    learner.begin(batch)
    if talk == "ddp":
        learner.model = DistributedDataParallel(
            model, [0], broadcast_buffers=False, gradient_as_bucket_view=True
        )
    tiles = torch.randint(0, 256, (batch, 96, 96, 3), dtype=torch.uint8).pin_memory()
    targets = torch.randint(0, 2, (batch, len(SPECIES)), dtype=torch.int8).pin_memory()

    def learn_often(times: int) -> float:
        start = perf_counter()
        for step in range(times):
            learner.learn((tiles, targets, targets.numel()), step, times)
        asked_s = perf_counter() - start
        torch.cuda.synchronize()
        return asked_s

    learn_often(12)
    start = perf_counter()
    asked_s = learn_often(steps)
    took_s = perf_counter() - start
    with profile(activities=[ProfilerActivity.CUDA]) as seen:
        learn_often(10)
    busy_s = sum(item.self_device_time_total for item in seen.key_averages()) / 1e6 / 10
    return Alone(steps * batch / took_s, asked_s / took_s, busy_s / (took_s / steps))


def tiles_alone(workspace: Path, workers: int, batch: int, steps: int = 40) -> float:
    """Return how many tiles per second so many workers prepare when nobody learns."""
    source = from_workspace(open_workspace(workspace))
    recipe = replace(read_recipe(ROOT / "configs" / "teacher.toml"), batch_size=batch, epochs=50)
    world = World(0, 1, 1, torch.device("cpu"))
    tiles = TileDataset(source.tiles, SPECIES, source.archive_of, 96, Augmenter(1))
    tiles.decode_all(world)
    loader = training_loader(tiles, Steps(tiles.targets, recipe, world), workers)
    for done, _ in enumerate(loader):
        if done == 8 * workers:  # what was prepared ahead is used up
            start = perf_counter()
        if done == 8 * workers + steps:
            break
    return steps * batch / (perf_counter() - start)


def show_limits(workspace: Path, workers: Sequence[int], batch: int) -> None:
    """Print what either half of training does alone."""
    for count in workers:
        speed = tiles_alone(workspace, count, batch)
        print(f"{count} workers alone: {speed:.0f} tiles/s, {speed / count:.0f} each", flush=True)
    if torch.cuda.is_available():
        dist.init_process_group("nccl", store=dist.HashStore(), rank=0, world_size=1)
        for talk in ("none", "ours", "ddp"):
            alone = card_alone(batch, talk=talk)
            print(
                f"one card alone, talk {talk}: {alone.tiles_per_s:.0f} tiles/s; asking takes "
                f"{alone.asking_share:.0%} of that time, computing {alone.busy_share:.0%}",
                flush=True,
            )
        dist.destroy_process_group()


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("folder", type=Path)
    parser.add_argument("--cards", type=int, nargs="+", default=[1])
    parser.add_argument("--workers", type=int, nargs="+", default=[15])
    parser.add_argument("--batch", type=int, default=512, help="tiles per card in a step")
    parser.add_argument("--epochs", type=int, default=16)
    parser.add_argument("--limits", action="store_true", help="each half alone")
    told = parser.parse_args()
    if not (told.folder / "workspace").exists():
        start = perf_counter()
        draw_workspace(told.folder)
        print(f"drawn in {perf_counter() - start:.0f} s")
    with open_store(open_workspace(told.folder / "workspace")) as store:
        print(f"{store.counts()}")
    if told.limits:
        show_limits(told.folder / "workspace", told.workers, told.batch)
        return
    rows = [
        measured(told.folder, cards, workers, told.batch, told.epochs)
        for cards in told.cards
        for workers in told.workers
    ]
    print(
        "cards  workers/card  batch/card   tiles/s  speed-up  waiting for tiles  first epoch  whole"
    )
    for row in rows:
        gain = float(str(row["tiles_per_s"])) / float(str(rows[0]["tiles_per_s"]))
        print(
            f"{row['cards']:>5} {row['workers_per_card']:>13} {row['batch_per_card']:>11} "
            f"{row['tiles_per_s']:>9.0f} {gain:>9.2f} {row['wait_share']:>8.1%} "
            f"{row['first_epoch_s']:>10.1f} s {row['whole_s']:>6.0f} s"
        )
    print(json.dumps(rows))


if __name__ == "__main__":
    main()
