"""How runs compare on the same held-out tiles: float, int8, and colour alone.

    python tests/benchmarks/real_photos.py WORKSPACE RUN_DIR...

Prints average precision per species on the tiles that the first run held out. The rival is
a colour histogram (8 bins each of hue, saturation and value, and their pairs with excess
green) with logistic regression, trained on the same training tiles: strong where plants
differ in colour, and honest to have beside any net.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import torch
from numpy.typing import NDArray
from PIL import Image
from sklearn.linear_model import LogisticRegression
from sklearn.pipeline import make_pipeline
from sklearn.preprocessing import StandardScaler

from training.export import export_model
from training.metrics import average_precision
from training.runs import load_model, read_run
from training.sources import from_workspace
from weedset.board.model import open_model
from weedset.images import decode_tile
from weedset.labelling import targets
from weedset.preprocess import model_input, resize_tile
from weedset.records import LabelledTile
from weedset.settings import Workspace, open_workspace, tile_archive
from weedset.store import open_store
from weedset.tiling import read_tile


def pixels(workspace: Workspace, tiles: Sequence[LabelledTile], px: int) -> NDArray[np.uint8]:
    """Return tiles as (n, px, px, 3)."""
    return np.stack(
        [
            resize_tile(
                decode_tile(read_tile(tile_archive(workspace, item.tile.photo_digest), item.tile)),
                px,
            )
            for item in tiles
        ]
    )


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


def main(workspace_path: Path, run_dirs: Sequence[Path]) -> None:
    """Print the table."""
    workspace = open_workspace(workspace_path)
    with open_store(workspace) as store:
        tiles = store.labelled_tiles()
    first = read_run(run_dirs[0])
    codes = first.card.codes
    train = [t for t in tiles if t.tile.photo_digest in {*first.train, *first.validation}]
    test = [t for t in tiles if t.tile.photo_digest in set(first.test)]
    truth = np.array([targets(t, codes) for t in test], np.int8)
    print(f"{len(train)} tiles learned from, {len(test)} held out by {first.card.split}")
    print(f"{'':28s}" + "".join(f"{code:>9s}" for code in codes))

    learned = np.array([targets(t, codes) for t in train], np.int8)
    seen, asked = colours(pixels(workspace, train, 96)), colours(pixels(workspace, test, 96))
    found = np.zeros(truth.shape, np.float32)
    for i in range(len(codes)):
        known = learned[:, i] >= 0
        rival = make_pipeline(
            StandardScaler(), LogisticRegression(C=0.01, max_iter=2000, class_weight="balanced")
        )
        rival.fit(seen[known], learned[known, i])
        found[:, i] = rival.predict_proba(asked)[:, 1]
    show("colour histogram + logistic", truth, found)

    for run_dir in run_dirs:
        run = read_run(run_dir)
        shown = pixels(workspace, test, run.card.input_px)
        model = load_model(run_dir, run).eval()
        with torch.no_grad():
            logits = [
                model(torch.from_numpy(model_input(shown[i : i + 64], run.card.normalisation)))
                for i in range(0, len(shown), 64)
            ]
        show(f"{run_dir.name} float", truth, torch.sigmoid(torch.cat(logits)).numpy())
        with TemporaryDirectory() as folder:
            exported = export_model(run_dir, from_workspace(workspace), Path(folder) / "model.onnx")
            int8 = open_model(exported.path, threads=2).probabilities(shown)
        show(f"{run_dir.name} int8", truth, int8)


def show(name: str, truth: NDArray[np.int8], found: NDArray[np.float32]) -> None:
    """Print one row of the table."""
    scores = [average_precision(truth[:, i], found[:, i]) for i in range(truth.shape[1])]
    print(f"{name:28s}" + "".join(f"{score:9.3f}" for score in scores if score is not None))


if __name__ == "__main__":
    main(Path(sys.argv[1]), [Path(name) for name in sys.argv[2:]])
