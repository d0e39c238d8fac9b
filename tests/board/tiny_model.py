"""Models small enough to know by heart what they must answer."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import onnx
from onnx import TensorProto, helper, numpy_helper

from weedset.modelcard import CARD_KEY, ClassCard, ModelCard, card_to_json
from weedset.preprocess import Normalisation
from weedset.records import CameraProfile, FocalLength

NORMALISATION = Normalisation(mean=127.0, std=128.0)

CARD = ModelCard(
    name="tiny",
    made_with="tests",
    made_on="2026-11-25",
    classes=(
        ClassCard("CHEAL", treat_at=0.9, present_at=0.5, doubt_at=0.2),
        ClassCard("DAUCS", treat_at=0.95, present_at=0.5, doubt_at=0.1),
        ClassCard("STEME", treat_at=None, present_at=0.6, doubt_at=0.3),
        ClassCard("1PLAK", treat_at=None, present_at=0.7, doubt_at=0.4),
    ),
    input_px=32,
    normalisation=NORMALISATION,
    cell_mm=50.0,
    gsd_min_mm_per_px=0.1,
    gsd_max_mm_per_px=1.6,
    edition="demo",
    edition_digest="0" * 64,
    split="site",
    held_out=(),
    licence="CC0-1.0",
    givers=("nobody",),
)

#: Class k answers with the mean of channel k over 255, so that a colour is a prediction;
#: the fourth class answers with nothing.
SAYS_COLOUR = np.vstack([np.eye(3), np.zeros((1, 3))]) / 255


def camera(
    height_mm: float = 1000.0, focal_mm: float = 4.0, pitch_um: float = 2.0
) -> CameraProfile:
    """A camera whose focal length is known, 0.5 mm per px as it stands."""
    return CameraProfile(
        name="test camera",
        height_mm=height_mm,
        height_uncertainty_mm=10.0,
        lens=FocalLength(focal_mm, pitch_um),
        declared_gsd_mm_per_px=None,
        declared_uncertainty_mm_per_px=None,
        width_px=None,
        height_px=None,
    )


def write_model(
    path: Path,
    card: ModelCard | None = CARD,
    weights: np.ndarray = SAYS_COLOUR,
    bias: float = 0.0,
    batch: str | int = "n",
    side: str | int | None = None,
    metadata: dict[str, str] | None = None,
) -> Path:
    """Write a model whose outputs are weights @ mean RGB (0 to 255) + bias."""
    side = side if side is not None else (card or CARD).input_px
    if metadata is None:
        metadata = {} if card is None else {CARD_KEY: card_to_json(card)}
    return _write(
        path,
        [
            helper.make_node("GlobalAveragePool", ["tiles"], ["pooled"]),
            helper.make_node("Flatten", ["pooled"], ["flat"]),
        ],
        (weights * NORMALISATION.std, weights.sum(axis=1) * NORMALISATION.mean + bias),
        [batch, 3, side, side],
        metadata,
    )


def write_locator(path: Path) -> Path:
    """Write a model that tells where the red lies in a tile.

    Its outputs are the mean of red (0 to 1), and the means of red times x and times y, 0 at
    the tile's left or top edge and 1 at the opposite one; the fourth is 0.
    """
    side = CARD.input_px
    across = (np.arange(side) + 0.5) / side
    x, y = np.meshgrid(across, across)
    weights = np.zeros((4, 3, side, side))
    weights[:3, 0] = np.stack([np.ones_like(x), x, y]) / side**2 / 255
    flat = weights.reshape(4, -1)
    return _write(
        path,
        [helper.make_node("Flatten", ["tiles"], ["flat"])],
        (flat * NORMALISATION.std, flat.sum(axis=1) * NORMALISATION.mean),
        ["n", 3, side, side],
        {CARD_KEY: card_to_json(CARD)},
    )


def _write(
    path: Path,
    before: list[onnx.NodeProto],
    linear: tuple[np.ndarray, np.ndarray],
    shape: list[str | int],
    metadata: dict[str, str],
) -> Path:
    weights, offset = (part.astype(np.float32) for part in linear)
    graph = helper.make_graph(
        [*before, helper.make_node("Gemm", ["flat", "w", "b"], ["probabilities"], transB=1)],
        "tiny",
        [helper.make_tensor_value_info("tiles", TensorProto.FLOAT, shape)],
        [
            helper.make_tensor_value_info(
                "probabilities", TensorProto.FLOAT, [shape[0], len(weights)]
            )
        ],
        [numpy_helper.from_array(weights, "w"), numpy_helper.from_array(offset, "b")],
    )
    model = helper.make_model(graph, opset_imports=[helper.make_opsetid("", 17)], ir_version=9)
    helper.set_model_props(model, metadata)
    onnx.save(model, str(path))
    return path


def other_card(**changes: object) -> ModelCard:
    return replace(CARD, **changes)  # type: ignore[arg-type]
