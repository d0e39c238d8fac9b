"""A toy garden, drawn: green discs and bars on brown ground, tiled and labelled for real."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import onnx
from PIL import Image, ImageDraw

from training.recipe import Recipe
from weedset.modelcard import CARD_KEY, ClassCard, ModelCard, card_to_json
from weedset.preprocess import Normalisation
from weedset.records import Batch, CameraProfile, Origin, Statement, Verdict
from weedset.settings import Workspace, create_workspace
from weedset.store import open_store
from weedset.tiling import cut_photo

CELL_PX, ROWS, COLS = 32, 7, 9
DISC, BAR = "CHEAL", "DAUCS"

#: What is said of a cell with these plants, None for nothing.
Label = Callable[[frozenset[str]], Statement | None]


def told_all(plants: frozenset[str]) -> Statement:
    verdict = Verdict.PLANTS if plants else Verdict.BARE
    return Statement("ann", Origin.MASK, verdict, present=plants)


@dataclass(frozen=True)
class ToyPhoto:
    name: str
    site: str
    seed: int
    light: float = 1.0


def toy_photos(sites: Sequence[str], each: int) -> list[ToyPhoto]:
    return [
        ToyPhoto(f"{site}{i}.png", site, seed=100 * s + i)
        for s, site in enumerate(sites)
        for i in range(each)
    ]


def draw_photo(seed: int) -> tuple[Image.Image, dict[tuple[int, int], frozenset[str]]]:
    """Return a photo, and which plants stand in which cell."""
    rng = np.random.default_rng(seed)
    size = (ROWS * CELL_PX, COLS * CELL_PX, 3)
    ground = rng.normal((110, 85, 60), 18, size).clip(0, 255).astype(np.uint8)
    photo = Image.fromarray(ground)
    draw = ImageDraw.Draw(photo)
    plants = {}
    for row in range(ROWS):
        for col in range(COLS):
            x, y = (np.array((col, row)) + rng.uniform(0.42, 0.58, 2)) * CELL_PX
            here = rng.choice(["", DISC, BAR, f"{DISC} {BAR}"], p=(0.35, 0.3, 0.25, 0.1))
            plants[row, col] = frozenset(str(here).split())
            green = tuple(int(c) for c in rng.normal((70, 150, 50), 12))
            if BAR in plants[row, col]:
                angle, length = rng.uniform(0, np.pi), 0.4 * CELL_PX
                dx, dy = length * np.cos(angle), length * np.sin(angle)
                draw.line((x - dx, y - dy, x + dx, y + dy), fill=(170, 220, 120), width=4)
            if DISC in plants[row, col]:
                r = rng.uniform(0.18, 0.24) * CELL_PX
                draw.ellipse((x - r, y - r, x + r, y + r), fill=green)
    return photo, plants


def make_garden(
    root: Path,
    photos: Sequence[ToyPhoto],
    label: Label = told_all,
    licence: str = "CC-BY-4.0",
    looked_for: Sequence[str] = (DISC, BAR),
) -> Workspace:
    """Return a workspace in which `label` speaks of each cell of each photo."""
    workspace = create_workspace(root / "garden", cell_mm=50, tile_px=CELL_PX, edge="drop")
    profile = CameraProfile("toy", None, None, None, 50 / CELL_PX, None, None, None)
    (root / "photos").mkdir()
    with open_store(workspace) as store:
        for toy in photos:
            picture, plants = draw_photo(toy.seed)
            picture = picture.point(lambda value, toy=toy: round(value * toy.light))
            path = root / "photos" / toy.name
            picture.save(path)
            cut = cut_photo(path, profile, workspace)
            assert cut is not None
            batch = Batch(f"{toy.site}-1", toy.site, "2026-05-01", f"{toy.site}-giver", licence, ())
            store.add_photo(batch, cut.photo, cut.tiles)
            store.set_checklist(batch.id, looked_for)
            said = [((cut.photo.digest, *cell), label(here)) for cell, here in plants.items()]
            store.add_statements(
                [(key, statement) for key, statement in said if statement is not None]
            )
    return workspace


def toy_recipe(**changes: object) -> Recipe:
    settings: dict[str, object] = {
        "name": "toy",
        "backbone": "small",
        "input_px": 32,
        "epochs": 14,
        "batch_size": 32,
        "learning_rate": 0.01,
        "weight_decay": 0.01,
        "dropout": 0.0,
        "most_pos_weight": 10.0,
        "least_examples": 8,
        "seed": 3,
    }
    return Recipe(**(settings | changes))  # type: ignore[arg-type]


def with_card(model: Path, out: Path, card: ModelCard) -> Path:
    """Write a model file anew under another card."""
    file = onnx.load(model)
    onnx.helper.set_model_props(file, {CARD_KEY: card_to_json(card)})
    onnx.save(file, out)
    return out


def quick_recipe() -> Recipe:
    """A recipe for a garden of three photos."""
    return toy_recipe(epochs=12, batch_size=16)


def toy_card(*classes: ClassCard, split: str = "site", held_out: Sequence[str] = ()) -> ModelCard:
    """The card of a model that was never trained, for what only asks its thresholds."""
    return ModelCard(
        name="toy",
        made_with="weedset",
        made_on="2026-05-01",
        classes=classes,
        input_px=32,
        normalisation=Normalisation(127, 128),
        cell_mm=50,
        gsd_min_mm_per_px=1,
        gsd_max_mm_per_px=1,
        edition="workspace toy",
        edition_digest="0",
        split=split,
        held_out=tuple(held_out),
        licence="CC0-1.0",
        givers=(),
    )
