"""Species that a model never saw, on drawn gardens: how well are they told from known ones?

    python tests/benchmarks/strange_plants.py GARDENS [SPECIES ...]

GARDENS is a workspace of drawn photos with labels, such as `make demo` leaves in
demo/workspace. For each species all cells that show it are hidden from training; in the gardens
held out the model then meets it for the first time. Prints the area under the ROC curve
(scikit-learn) of the score that `weedset evaluate` uses, and of two others.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
from sklearn.metrics import roc_auc_score

from training.evaluation.evaluate import trial
from training.evaluation.outcomes import tabulate
from training.export import export_model
from training.recipe import read_recipe
from training.sources import from_workspace
from training.train import train
from weedset.board.model import open_model
from weedset.records import ANY_PLANT, Policy
from weedset.settings import open_workspace

RECIPE = Path(__file__).resolve().parents[2] / "configs" / "demo.toml"
HELD_OUT = ("tin-shed", "ferry-plots")


def main(root: Path, species: list[str]) -> None:
    source = from_workspace(open_workspace(root))
    for code in species:
        hidden = tuple(tile for tile in source.tiles if code not in tile.statement.present)
        with TemporaryDirectory() as folder:
            run, path = Path(folder) / "run", Path(folder) / "model.onnx"
            train(read_recipe(RECIPE), replace(source, tiles=hidden), run, HELD_OUT)
            export_model(run, replace(source, tiles=hidden), path)
            model = open_model(path, threads=2)
        codes = model.card.codes
        weeds = frozenset(codes) - {ANY_PLANT, "DAUCS", "LACSA"}
        tried = trial(model, source, Policy("weeds", weeds, frozenset()))
        table = tabulate(tried, model.card, Policy("weeds", weeds, frozenset()))
        named = np.array([name != ANY_PLANT for name in codes])
        familiar = (table.truth[:, named] == 1).any(1)
        either = familiar | table.strange
        strange = table.strange[either]
        plant = table.found[either][:, ~named][:, 0]
        likeliest = table.found[either][:, named].max(1)
        scores = {
            "plant and none named": plant * (1 - likeliest),
            "least likeliest": -likeliest,
            "least any plant": -plant,
        }
        print(
            f"{code}: {strange.sum()} cells with it alone, {(~strange).sum()} with known plants, "
            f"treated {table.treated[table.strange].sum()}; "
            + ", ".join(f"{name} {roc_auc_score(strange, s):.3f}" for name, s in scores.items()),
            flush=True,
        )


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2:])
