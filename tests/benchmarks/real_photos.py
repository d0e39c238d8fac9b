"""Teacher, students and rivals on real photos: learn on a graphics card, score on a desk.

    python tests/benchmarks/real_photos.py learn WORKSPACE RUNS --seed 1
    python tests/benchmarks/real_photos.py score WORKSPACE RUNS

`learn` trains, for one seed, the teacher; a student of each size with and without it; and
torchvision's MobileNetV3-small from nothing, by the same loop on the same tiles. All write
into RUNS, a folder per net, which is all that `score` needs beside the workspace. `score`
exports each run and prints one table over all seeds: million multiply-adds per tile, and area
under the ROC curve and average precision per species on the photos held out, in float and
int8. The last rival is a colour histogram with logistic regression.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import torch
from numpy.typing import NDArray
from PIL import Image
from sklearn.linear_model import LogisticRegression
from sklearn.metrics import average_precision_score, roc_auc_score
from sklearn.pipeline import make_pipeline
from sklearn.preprocessing import StandardScaler
from torch import nn
from torch.utils.flop_counter import FlopCounterMode
from torchvision.models import mobilenet_v3_small

import training.train
from training.backbones import build_backbone
from training.datasets import TileDataset, target_table
from training.export import export_model
from training.recipe import Recipe, read_recipe
from training.runs import Run, load_model, read_run
from training.sources import Source, from_workspace
from weedset.board.model import open_model
from weedset.preprocess import model_input
from weedset.settings import open_workspace

CONFIGS = Path(__file__).parents[2] / "configs"
STUDENTS = ("student5", "student15", "student70")
RIVAL, HISTOGRAM = "mobilenet_v3_small", "colour histogram"

#: What a student may lose to its teacher, and int8 to float, in area under the ROC curve.
MOST_LOST_TO_TEACHER, MOST_LOST_TO_INT8 = 0.02, 0.005


def learn(source: Source, runs: Path, seed: int) -> None:
    """Train all nets of one seed; what is finished already is left as it is."""

    def train(name: str, recipe: Recipe, teacher: Path | None = None) -> None:
        out = runs / f"{seed}-{name}"
        if not (out / "run.json").exists():
            print(f"== {out.name}", flush=True)
            training.train.train(recipe, source, out, teacher_dir=teacher)

    train("teacher", replace(read_recipe(CONFIGS / "teacher.toml"), seed=seed))
    for name in STUDENTS:
        recipe = replace(read_recipe(CONFIGS / f"{name}.toml"), seed=seed)
        train(name, recipe, runs / f"{seed}-teacher")
        if name != "student70":  # without a teacher that one is the teacher
            train(f"{name}-alone", replace(recipe, teacher_share=0.0))
    recipe = replace(read_recipe(CONFIGS / "student15.toml"), seed=seed, teacher_share=0.0)
    training.train.build_backbone = lambda _name, classes, **_: rival(classes)
    try:
        train(RIVAL, recipe)
    finally:
        training.train.build_backbone = build_backbone


def rival(classes: int) -> nn.Module:
    """Return torchvision's MobileNetV3-small, from nothing."""
    return mobilenet_v3_small(weights=None, num_classes=classes)


def score(source: Source, runs: Path) -> None:
    """Print the table."""
    folders = sorted(runs.glob("[0-9]*-*"))
    first = read_run(folders[0])
    codes = first.card.codes
    held_out = [t for t in source.tiles if t.tile.photo_digest in first.test]
    truth = target_table(held_out, codes)
    print(f"{len(held_out)} tiles of {len(first.test)} photos held out by {first.card.split}")
    scores: dict[str, list[NDArray[np.float64]]] = {}
    work = {HISTOGRAM: 0.0}
    for folder in folders:
        name, run = folder.name.split("-", 1)[1], read_run(folder)
        assert run.test == first.test
        shown = TileDataset(held_out, codes, source.archive_of, run.card.input_px)
        pixels = np.stack([shown.pixels(i) for i in range(len(shown))])
        model = (
            rival(len(codes)) if name == RIVAL else build_backbone(run.recipe.backbone, len(codes))
        )
        model.load_state_dict(_weights(folder))
        work[name] = macs(model, run.card.input_px) / 1e6
        floats = [marks(truth, float_probabilities(model.eval(), pixels, run))]
        if name == RIVAL:
            int8 = np.full_like(floats[0], np.nan)
        else:
            with TemporaryDirectory() as aside:
                exported = export_model(folder, source, Path(aside) / "model.onnx")
                int8 = marks(truth, open_model(exported.path, threads=2).probabilities(pixels))
        scores.setdefault(name, []).append(np.stack([floats[0], int8]))
    found = histogram(source, first, pixels, truth)
    scores[HISTOGRAM] = [np.stack([found, np.full_like(found, np.nan)])]
    show(codes, scores, work)


def show(
    codes: Sequence[str], scores: dict[str, list[NDArray[np.float64]]], work: dict[str, float]
) -> None:
    """Print the mean over seeds of each net, and what it loses to its teacher and to int8."""
    print("mean over seeds (standard deviation over seeds in brackets)")
    head = "".join(f"  {code:>8s} AUC     int8    AP   int8" for code in codes)
    print(f"{'':22s}{'MMAC':>6s}{'seeds':>6s}{head}")
    teacher = np.array(scores["teacher"])
    for name in sorted(scores, key=lambda name: -work[name]):
        got = np.array(scores[name])  # seeds, float or int8, AUC or AP, classes
        mean, spread = got.mean(0), got.std(0)
        line = f"{name:22s}{work[name]:6.1f}{len(got):6d}"
        for i in range(len(codes)):
            line += f"  {mean[0, 0, i]:.3f} ({spread[0, 0, i]:.3f})   {mean[1, 0, i]:.3f}"
            line += f"  {mean[0, 1, i]:.3f}  {mean[1, 1, i]:.3f}"
        to_teacher = (teacher.mean(0)[0, 0] - mean[0, 0]).max()
        to_int8 = (mean[0, 0] - mean[1, 0]).max()
        line += f"   teacher - {to_teacher:+.3f} {_mark(to_teacher, MOST_LOST_TO_TEACHER)}"
        if not np.isnan(to_int8):
            line += f", int8 - {to_int8:+.4f} {_mark(to_int8, MOST_LOST_TO_INT8)}"
        print(line)
    print(
        f"teacher -: largest loss of AUC against the teacher, ok up to {MOST_LOST_TO_TEACHER:g}; "
        f"int8 -: largest loss of int8 against float, ok up to {MOST_LOST_TO_INT8:g}"
    )


def _mark(lost: float, most: float) -> str:
    return "ok" if lost <= most else "TOO MUCH"


def marks(truth: NDArray[np.int8], found: NDArray[np.float32]) -> NDArray[np.float64]:
    """Return area under the ROC curve and average precision per class, (2, classes)."""

    def each(metric: Callable[..., float]) -> list[float]:
        known = [truth[:, i] >= 0 for i in range(truth.shape[1])]
        return [metric(truth[k, i], found[k, i]) for i, k in enumerate(known)]

    return np.array([each(roc_auc_score), each(average_precision_score)])


def macs(model: nn.Module, side_px: int) -> float:
    """Return the multiply-adds of one tile, as torch counts them."""
    with FlopCounterMode(display=False) as counter:
        model.eval()(torch.zeros(1, 3, side_px, side_px))
    return counter.get_total_flops() / 2


@torch.inference_mode()
def float_probabilities(
    model: nn.Module, pixels: NDArray[np.uint8], run: Run
) -> NDArray[np.float32]:
    """Return the probabilities of a float model, (tiles, classes)."""
    scores = [
        model(torch.from_numpy(model_input(pixels[i : i + 64], run.card.normalisation)))
        for i in range(0, len(pixels), 64)
    ]
    found: NDArray[np.float32] = torch.sigmoid(torch.cat(scores)).numpy()
    return found


def _weights(folder: Path) -> dict[str, torch.Tensor]:
    from safetensors.torch import load_file

    weights: dict[str, torch.Tensor] = load_file(folder / "model.safetensors")
    return weights


def held_out_answers(source: Source, folder: Path) -> tuple[NDArray[np.int8], NDArray[np.float32]]:
    """Return the targets of the tiles that a run held out, and what its float model answers.

    Both are (tiles, classes).
    """
    run = read_run(folder)
    held_out = [t for t in source.tiles if t.tile.photo_digest in run.test]
    shown = TileDataset(held_out, run.card.codes, source.archive_of, run.card.input_px)
    pixels = np.stack([shown.pixels(i) for i in range(len(shown))])
    return shown.targets, float_probabilities(load_model(folder, run), pixels, run)


def histogram(
    source: Source, run: Run, asked: NDArray[np.uint8], truth: NDArray[np.int8]
) -> NDArray[np.float64]:
    """Return the marks of a colour histogram with logistic regression, tuned on nothing."""
    train = [t for t in source.tiles if t.tile.photo_digest in {*run.train, *run.validation}]
    learned = TileDataset(train, run.card.codes, source.archive_of, run.card.input_px)
    seen = colours(np.stack([learned.pixels(i) for i in range(len(learned))]))
    shown = colours(asked)
    found = np.zeros(truth.shape, np.float32)
    for i in range(truth.shape[1]):
        known = learned.targets[:, i] >= 0
        regression = make_pipeline(
            StandardScaler(), LogisticRegression(C=0.01, max_iter=2000, class_weight="balanced")
        )
        regression.fit(seen[known], learned.targets[known, i])
        found[:, i] = regression.predict_proba(shown)[:, 1]
    return marks(truth, found)


def colours(tiles: NDArray[np.uint8]) -> NDArray[np.float64]:
    """Return colour features: a joint hue-saturation-value histogram and excess green."""
    rows = []
    for tile in tiles:
        hsv = np.asarray(Image.fromarray(tile).convert("HSV")).reshape(-1, 3) // 32
        joint = np.bincount(hsv[:, 0] * 64 + hsv[:, 1].astype(int) * 8 + hsv[:, 2], minlength=512)
        rgb = tile.reshape(-1, 3).astype(float)
        green = 3 * rgb[:, 1] / rgb.sum(1).clip(min=1) - 1
        excess = np.histogram(green, bins=16, range=(-0.5, 1.0))[0]
        rows.append(np.sqrt(np.concatenate([joint, excess]) / len(hsv)))
    return np.array(rows)


def main() -> None:
    """Learn, or score."""
    parser = argparse.ArgumentParser()
    parser.add_argument("what", choices=["learn", "score"])
    parser.add_argument("workspace", type=Path)
    parser.add_argument("runs", type=Path)
    parser.add_argument("--seed", type=int, default=1)
    told = parser.parse_args()
    source = from_workspace(open_workspace(told.workspace))
    if told.what == "learn":
        learn(source, told.runs, told.seed)
    else:
        score(source, told.runs)


if __name__ == "__main__":
    main()
