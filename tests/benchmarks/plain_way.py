"""Does the board's small int8 net find plants as well as the plain way's net? On one set of tiles.

    python tests/benchmarks/plain_way.py WORKSPACE RUN_DIR

RUN_DIR holds a run of `weedset train` on WORKSPACE. A float MobileNetV3-small (torchvision,
started from nothing, as the small net is) learns from the same tiles by the same recipe, loop
and augmentation. Prints the average precision per species, and their mean, on the tiles that
the run held out: the board's model through the board's runtime, the other through torch. How
long each takes is for test_classify_speed.py.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import torch
from numpy.typing import NDArray
from torchvision.models import mobilenet_v3_small

from training.augment import Augmenter
from training.datasets import TileDataset, ordered_loader, training_loader
from training.export import export_model
from training.loop import fit, predict, presence_weights
from training.metrics import average_precision
from training.recipe import Recipe
from training.runs import Run, read_run
from training.sources import Source, from_workspace
from weedset.board.model import open_model
from weedset.settings import open_workspace


def main(workspace_path: Path, run_dir: Path) -> None:
    """Print the table."""
    source, run = from_workspace(open_workspace(workspace_path)), read_run(run_dir)
    judged = _dataset(source, run.test, run)
    print(f"{len(judged)} tiles held out by {run.card.split}, of {len(source.tiles)}")
    print(f"{'':22s}" + "".join(f"{code:>8s}" for code in (*run.card.codes, "mean")))

    shown = np.stack([judged.pixels(index) for index in range(len(judged))])
    with TemporaryDirectory() as folder:
        exported = export_model(run_dir, source, Path(folder) / "model.onnx")
        found = open_model(exported.path).probabilities(shown)
    _show(f"board, {run.recipe.backbone} int8", judged, found)
    learning = _dataset(source, run.train, run, Augmenter(run.recipe.seed))
    _show("plain, float", judged, _plain(learning, judged, run.recipe))


def _dataset(
    source: Source, photos: Sequence[str], run: Run, augment: Augmenter | None = None
) -> TileDataset:
    wanted = set(photos)
    chosen = [item for item in source.tiles if item.tile.photo_digest in wanted]
    return TileDataset(chosen, run.card.codes, source.archive_of, run.card.input_px, augment)


def _plain(learning: TileDataset, judged: TileDataset, recipe: Recipe) -> NDArray[np.float32]:
    torch.manual_seed(recipe.seed)
    net = mobilenet_v3_small(num_classes=learning.targets.shape[1], dropout=recipe.dropout)
    loader = training_loader(learning, recipe.batch_size, recipe.workers, recipe.seed)
    weights = presence_weights(learning.targets, recipe.most_pos_weight)
    for loss in fit(net, loader, recipe, weights, torch.device("cpu")):
        print(f"  loss {loss:.4f}", file=sys.stderr)
    return predict(net, ordered_loader(judged, recipe.batch_size, 0), torch.device("cpu"))


def _show(name: str, judged: TileDataset, found: NDArray[np.float32]) -> None:
    scores = [average_precision(judged.targets[:, i], found[:, i]) for i in range(found.shape[1])]
    known = [score for score in scores if score is not None]
    row = ["       -" if score is None else f"{score:8.3f}" for score in scores]
    print(f"{name:22s}" + "".join(row) + f"{np.mean(known):8.3f}")


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
