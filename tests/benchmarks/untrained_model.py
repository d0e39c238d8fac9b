"""The small net as a file for boards, untrained: weights change neither its time nor its size."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import onnx
import torch

from training.backbones import NORMALISATION, build_backbone
from training.export import write_float_model
from training.quantize import quantize
from weedset.modelcard import CARD_KEY, ClassCard, ModelCard, card_to_json
from weedset.preprocess import model_input

CODES = ("CHEAL", "STEME", "POAAN", "TAROF", "DAUCS", "LACSA", "BEAVX", "1PLAK")
CARD = ModelCard(
    name="untrained",
    made_with="benchmark",
    made_on="2026-11-25",
    classes=tuple(ClassCard(code, 0.9, 0.5, 0.2) for code in CODES),
    input_px=96,
    normalisation=NORMALISATION,
    cell_mm=50.0,
    gsd_min_mm_per_px=0.1,
    gsd_max_mm_per_px=0.6,
    edition="none",
    edition_digest="0" * 64,
    split="site",
    held_out=(),
    licence="CC0-1.0",
    givers=(),
)


def write_untrained(folder: Path) -> Path:
    """Write `folder`/model.onnx with CARD, and return its path."""
    torch.manual_seed(0)
    side = CARD.input_px
    write_float_model(build_backbone("small", len(CODES)).eval(), side, folder / "float.onnx")
    tiles = np.random.default_rng(0).integers(0, 256, (64, side, side, 3), dtype=np.uint8)
    quantize(folder / "float.onnx", folder / "int8.onnx", model_input(tiles, NORMALISATION))
    model = onnx.load(folder / "int8.onnx")
    onnx.helper.set_model_props(model, {CARD_KEY: card_to_json(CARD)})
    onnx.save(model, folder / "model.onnx")
    return folder / "model.onnx"
