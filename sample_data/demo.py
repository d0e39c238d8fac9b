"""``python -m sample_data.demo``: the whole job on drawn gardens, told step by step.

Every step but the drawing is a command that anyone can type; it is shown before it runs.
"""

from __future__ import annotations

import argparse
import csv
import json
import shlex
import shutil
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from time import perf_counter

from sample_data.write import Order, write

ROOT = Path(__file__).resolve().parent.parent
WEEDSET = Path(sys.executable).with_name("weedset")

#: Gardens that the model is judged by, and never sees before.
HELD_OUT = ("tin-shed", "ferry-plots")

#: What this demo's gardeners want removed. All else is protected: crops, lawn, unknown plants.
REMOVE = ("CHEAL", "STEME", "POAAN", "TAROF", "CAPBP", "SENVU")


@dataclass(frozen=True)
class Stage:
    """What the demo works on; `photos_per_site` and `recipe` decide how long it takes."""

    folder: Path
    photos_per_site: int = 5
    recipe: Path = ROOT / "configs" / "demo.toml"

    @property
    def gardens(self) -> Path:
        """Where the drawn photos lie, one folder per garden."""
        return self.folder / "gardens"

    @property
    def workspace(self) -> Path:
        """The workspace."""
        return self.folder / "workspace"

    @property
    def model(self) -> Path:
        """The model file."""
        return self.folder / "demo.onnx"

    @property
    def report(self) -> Path:
        """The report on it."""
        return self.folder / "report.html"


def main(stage: Stage) -> None:
    """Run the demo in an empty folder; leaves pictures, a model file and its score there."""
    start = perf_counter()
    if stage.folder.exists():
        shutil.rmtree(stage.folder)
    stage.folder.mkdir(parents=True)
    tell(
        "weedset demo: from ground photos to a small model that says treat, leave or unsure.",
        "The photos are DRAWN by this program, not photographed: they show that everything",
        "works, and their truth is exact, but no score below says how a model does outdoors.",
    )
    tell("1. Drawing photos of eight invented gardens (the longest wait but one)")
    write(stage.gardens, Order(photos_per_site=stage.photos_per_site))
    cut_and_label(stage)
    tell("4. Training a small model; two gardens are held out, and it never sees them")
    run("train", stage.recipe, "--workspace", stage.workspace, "--out", stage.folder / "run",
        *[part for name in HELD_OUT for part in ("--held-out", name)])  # fmt: skip
    tell("5. Making the 8-bit model file for the board, checked against the trained model")
    run("export", stage.folder / "run", "--workspace", stage.workspace, "--out", stage.model)
    policy = stage.folder / "policy.toml"
    policy.write_text(policy_toml(stage.model))
    tell("6. The score: the very file that ships, on the gardens that it never saw")
    run("evaluate", "--model", stage.model, "--workspace", stage.workspace, "--policy", policy)
    run("report", stage.model, "--workspace", stage.workspace, "--policy", policy,
        "--weeds-per-m2", "40", "--crops-per-m", "12", "--band-mm", "100",
        "--out", stage.report)  # fmt: skip
    tell(
        "7. Deciding on photos of a garden that it never saw, with pictures to look at. Here, as",
        "on a machine, what stands beside a plant to protect is left alone too",
    )
    garden = stage.gardens / HELD_OUT[0]
    run("classify", garden, "--model", stage.model, "--camera", garden / "camera.toml",
        "--policy", policy, "--overlay", stage.folder / "decisions")  # fmt: skip
    program = str(WEEDSET).removeprefix(f"{ROOT}/")
    tell(
        f"Done in {perf_counter() - start:.0f} s. Look at:",
        f"  {stage.report}   the score with the worst errors as pictures, for a browser",
        f"  {stage.folder / 'decisions'}   photos with each cell's decision drawn in",
        f"  {stage.model}   the model, {stage.model.stat().st_size / 1000:.0f} kB, card inside",
        f"  {stage.workspace}   tiles (plain tar files) and labels (SQLite)",
        f"The labelling page: {program} label --workspace {stage.workspace}",
        "Next, with your own photos: docs/first-afternoon.md, or 'Your own garden' in README.md.",
    )


def cut_and_label(stage: Stage) -> None:
    """Steps 2 and 3: a workspace with the tiles and labels of all gardens."""
    with (stage.gardens / "species.csv").open(encoding="utf-8") as file:
        meanings = {row["value"]: row["code"] for row in csv.DictReader(file)}
    tell("2. Cutting the photos into cells of 50 mm of ground, whatever the camera")
    run("new", stage.workspace)
    gardens = sorted(path for path in stage.gardens.iterdir() if path.is_dir())
    for garden in gardens:
        run("tile", garden, "--camera", garden / "camera.toml", "--site", garden.name,
            "--giver", "weedset demo", "--licence", "CC0-1.0",
            "--workspace", stage.workspace, shown=garden is gardens[0])  # fmt: skip
    and_so_on(gardens)
    tell("3. Taking labels from the masks that came with the drawings")
    values = [part for value, code in meanings.items() for part in ("--value", f"{value}={code}")]
    for garden in gardens:
        run("import", "masks", garden / "masks", "--site", garden.name, "--value", "0=ground",
            *values, "--looked-for", ",".join(meanings.values()),
            "--workspace", stage.workspace, shown=garden is gardens[0])  # fmt: skip
    and_so_on(gardens)
    run("status", "--workspace", stage.workspace)


def policy_toml(model: Path) -> str:
    """Return a policy that removes those of REMOVE that the model learned to tell."""
    card = subprocess.run(
        [WEEDSET, "card", model, "--json"], check=True, capture_output=True, encoding="utf-8"
    )
    known = {item["code"] for item in json.loads(card.stdout)["classes"]}
    remove = [code for code in REMOVE if code in known]
    return (
        'name = "demo beds"\n# Every species that is not named here is protected.\n'
        f"remove = {json.dumps(remove)}\n"
    )


def tell(*lines: str) -> None:
    """Say where the story is."""
    print("", *lines, sep="\n", flush=True)


def and_so_on(gardens: list[Path]) -> None:
    """Say that the command last shown ran for the other gardens too."""
    print(f"... and so on for {', '.join(garden.name for garden in gardens[1:])}.", flush=True)


def run(*arguments: str | Path, shown: bool = True) -> None:
    """Show a command of weedset as one would type it, and run it; leave where it fails."""
    words = [str(part).removeprefix(f"{ROOT}/") for part in arguments]
    if shown:
        print(f"$ weedset {shlex.join(words)}", flush=True)
    done = subprocess.run(
        [WEEDSET, *words],
        cwd=ROOT,
        stderr=None if shown else subprocess.PIPE,
        text=True,
        check=False,
    )
    if done.returncode:
        print(done.stderr or "", end="", file=sys.stderr)
        sys.exit(done.returncode)


if __name__ == "__main__":
    argparse.ArgumentParser(
        prog="python -m sample_data.demo",
        description="Do the whole job on drawn gardens, and leave it in the folder demo/, which is "
        "emptied first. Takes about 8 minutes; there are no options.",
    ).parse_args()
    main(Stage(ROOT / "demo"))
