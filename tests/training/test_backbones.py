from pathlib import Path
from typing import get_args

import numpy as np
import pytest
import torch
from PIL import Image
from sklearn.datasets import load_sample_image
from torch import nn
from torch.utils.flop_counter import FlopCounterMode

from training.backbones import NORMALISATION, Lite0, build_backbone, imagenet_weights, multiply_adds
from training.recipe import BackboneName, read_recipe
from weedset.board.speeds import speeds
from weedset.preprocess import model_input

CONFIGS = Path(__file__).parents[2] / "configs"


def parameter_count(net: nn.Module) -> int:
    return sum(parameter.numel() for parameter in net.parameters())


def test_the_small_net_is_as_small_as_documented() -> None:
    # Hand arithmetic over the layers: 51 936 weights of convolutions, 1984 of batch norm,
    # 129 per class; 12.86 MMAC at 96 px.
    net = build_backbone("small", 8)
    assert parameter_count(net) == 51_936 + 1984 + 129 * 8
    assert multiply_adds("small", 8, 96) == pytest.approx(12.9e6, rel=0.005)


@pytest.mark.parametrize(
    ("recipe", "million"), [("student5", 5), ("student15", 15), ("student70", 71)]
)
def test_students_are_of_the_size_that_their_recipes_bear_in_their_names(
    recipe: str, million: float
) -> None:
    # Reference: torch.utils.flop_counter, which counts two operations per multiply-add.
    told = read_recipe(CONFIGS / f"{recipe}.toml")
    net = build_backbone(told.backbone, 8).eval()
    with FlopCounterMode(display=False) as counter:
        net(torch.zeros(1, 3, told.input_px, told.input_px))
    counted = counter.get_total_flops() / 2
    assert 0.8 * million < counted / 1e6 <= 1.02 * million
    assert counted == multiply_adds(told.backbone, 8, told.input_px)


@pytest.mark.parametrize("name", get_args(BackboneName))
def test_nets_are_of_parts_that_an_int8_runtime_fuses(name: BackboneName) -> None:
    fused = (nn.Conv2d, nn.BatchNorm2d, nn.ReLU, nn.ReLU6)
    last = (nn.AdaptiveAvgPool2d, nn.Flatten, nn.Dropout, nn.Linear)
    leaves = [part for part in build_backbone(name, 2).modules() if not list(part.children())]
    assert all(isinstance(part, fused + last) for part in leaves)


def test_lite0_is_as_large_as_published() -> None:
    # 4.7 M parameters and 407 M multiply-adds at 224 px: the table in the README of the
    # EfficientNet-Lite release, from memory.
    net = Lite0(1000, 0)
    assert parameter_count(net) == pytest.approx(4.7e6, rel=0.02)
    assert multiply_adds("lite0", 1000, 224) == pytest.approx(407e6, rel=0.06)


def test_all_imagenet_weights_find_their_place() -> None:
    weights = imagenet_weights()
    matched = Lite0(1000, 0).load_state_dict(weights, strict=False)
    assert len(weights) == 296
    assert not matched.missing_keys
    assert not matched.unexpected_keys


# Classes of ImageNet (ILSVRC 2012), numbers from memory: 985 daisy; 663 monastery,
# 698 palace, 442 bell cote. The pictures come with scikit-learn.
@pytest.mark.parametrize(
    ("picture", "expected"), [("flower.jpg", {985}), ("china.jpg", {698, 442, 663})]
)
def test_lite0_sees_in_natural_pictures_what_they_show(picture: str, expected: set[int]) -> None:
    pixels = load_sample_image(picture)
    side = min(pixels.shape[:2])
    top, left = (pixels.shape[0] - side) // 2, (pixels.shape[1] - side) // 2
    square = Image.fromarray(pixels[top : top + side, left : left + side])
    tile = np.asarray(square.resize((224, 224), Image.Resampling.BICUBIC))
    net = Lite0(1000, 0).eval()
    net.load_state_dict(imagenet_weights())
    with torch.inference_mode():
        scores = net(torch.from_numpy(model_input(tile[None], NORMALISATION)))
    probabilities = scores.softmax(1)[0]
    best = probabilities.topk(len(expected)).indices.tolist()
    assert set(best) == expected
    # Peaked: chance would give the best class 0.001.
    assert probabilities.max() > 0.2


def test_a_pretrained_lite0_keeps_all_but_the_last_layer() -> None:
    net = build_backbone("lite0", 3, pretrained=True)
    state, weights = net.state_dict(), imagenet_weights()
    assert {name for name in state if not torch.equal(state[name], weights[name])} == {
        "_fc.weight",
        "_fc.bias",
    }
    assert net.eval()(torch.zeros(2, 3, 64, 96)).shape == (2, 3)


@pytest.mark.parametrize(("name", "mmac"), speeds().nets_mmac)
def test_the_work_that_speeds_are_foretold_from(name: BackboneName, mmac: float) -> None:
    assert multiply_adds(name, 8, 96) / 1e6 == pytest.approx(mmac, rel=0.01)
