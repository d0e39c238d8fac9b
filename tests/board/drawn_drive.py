"""A drive of drawn frames, and a model small enough to know by heart what it sees in them."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import numpy as np
import onnx
from onnx import TensorProto, helper, numpy_helper
from tiny_model import CARD, NORMALISATION

from sample_data.camera import Camera
from sample_data.drives import Stop, Strip
from sample_data.light import Light
from sample_data.plants import Plant
from sample_data.sites import SITES
from weedset.board.steps import Odometry
from weedset.modelcard import CARD_KEY, ClassCard, card_to_json

SITE = SITES[0]
CAMERA = Camera(1296, 972, 1400.0, 420.0)  # 0.3 mm per px
PROFILE = (
    'name = "c"\nheight_mm = 420\nheight_uncertainty_mm = 2\n[pose]\nuncertainty_deg = 0.2\n'
    "[lens]\nfocal_length_mm = 2.8\npixel_pitch_um = 2\n"
)
DRAWN_CARD = replace(
    CARD,
    classes=(
        ClassCard("CHEAL", treat_at=0.9, present_at=0.5, doubt_at=0.2),
        ClassCard("LACSA", treat_at=0.95, present_at=0.5, doubt_at=0.1),
    ),
    input_px=96,
)
#: Per pixel: how green (above some noise), and how yellow, which of the plants drawn here only
#: lettuce is; then how a tile's means of them become log-odds of a weed and of lettuce.
_GREEN = (-12.0, 15.0, -5.0, -100.0)
_YELLOW = (1.0, 1.0, -2.0, -165.0)
_LOG_ODDS = np.array([[2.5, -60.0], [0.0, 40.0]])
_OFFSET = np.array([-4.0, -5.0])


def write_drawn_model(path: Path) -> Path:
    """Write a model that takes what is yellow for lettuce and other green for weeds."""
    rows = np.array([_GREEN, _YELLOW])
    weights = rows[:, :3] * NORMALISATION.std
    bias = rows[:, 3] + rows[:, :3].sum(axis=1) * NORMALISATION.mean
    constants = {
        "w": weights.reshape(2, 3, 1, 1),
        "b": bias,
        "g": _LOG_ODDS,
        "o": _OFFSET,
    }
    graph = helper.make_graph(
        [
            helper.make_node("Conv", ["tiles", "w", "b"], ["seen"], kernel_shape=[1, 1]),
            helper.make_node("Relu", ["seen"], ["more"]),
            helper.make_node("GlobalAveragePool", ["more"], ["mean"]),
            helper.make_node("Flatten", ["mean"], ["flat"]),
            helper.make_node("Gemm", ["flat", "g", "o"], ["odds"], transB=1),
            helper.make_node("Sigmoid", ["odds"], ["probabilities"]),
        ],
        "drawn",
        [helper.make_tensor_value_info("tiles", TensorProto.FLOAT, ["n", 3, 96, 96])],
        [helper.make_tensor_value_info("probabilities", TensorProto.FLOAT, ["n", 2])],
        [numpy_helper.from_array(v.astype(np.float32), k) for k, v in constants.items()],
    )
    model = helper.make_model(graph, opset_imports=[helper.make_opsetid("", 17)], ir_version=9)
    helper.set_model_props(model, {CARD_KEY: card_to_json(DRAWN_CARD)})
    onnx.save(model, str(path))
    return path


def plants(rng: np.random.Generator) -> list[Plant]:
    """A row of lettuces, and fat hen and chickweed about it that touch nothing."""
    found = [_plant("LACSA", 13, x, 90.0, rng) for x in (0.0, 230.0, 460.0, 690.0)]
    while len(found) < 24:
        x, y = rng.uniform(-100, 800), rng.uniform(-150, 150)
        if all(math.hypot(x - it.x_mm, y - it.y_mm) > _room_mm(it) for it in found):
            code = ("CHEAL", "STEME")[len(found) % 2]
            found.append(_plant(code, int(rng.integers(12, 15)), x, y, rng))
    return found


def _room_mm(it: Plant) -> float:
    return 80.0 if it.code == "LACSA" else 55.0


def _plant(code: str, bbch: int, x: float, y: float, rng: np.random.Generator) -> Plant:
    turn, look, seed = rng.uniform(0, 360), rng.random(), int(rng.integers(1 << 30))
    return Plant(code, bbch, float(x), float(y), float(turn), 0.8, float(look), seed)


@lru_cache(maxsize=1)
def drawn_drive(count: int = 13) -> tuple[Strip, list[np.ndarray], list[Odometry]]:
    """A strip, its frames 60 mm apart, and wheels that read 5 % too much."""
    rng = np.random.default_rng(8)
    stops, x = [], 0.0
    for number in range(count):
        turn = float(rng.normal(0, 0.5)) if number else 0.0
        stops.append(Stop(x, float(rng.normal(0, 2)) if number else 0.0, turn))
        x += float(rng.uniform(50, 70))
    light = Light(30, 45, 0.6, 0.1, None)
    strip = Strip(SITE.ground, plants(rng), light, CAMERA, stops, 3)
    frames = [strip.frame(number, SITE.sensor)[0] for number in range(count)]
    wheels = [Odometry(1.05 * it.x_mm, 1.05 * it.y_mm, it.heading_deg) for it in stops]
    return strip, frames, wheels
