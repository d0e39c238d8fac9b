from pathlib import Path
from typing import get_args
from urllib.error import URLError

import numpy as np
import pytest
import torch
from PIL import Image
from sklearn.datasets import load_sample_image
from torch import nn
from torch.utils.flop_counter import FlopCounterMode
from torchvision.models import ResNet, ResNet50_Weights, WeightsEnum, resnet50

from training.backbones import NORMALISATION, Lite0, build_backbone, imagenet_weights, multiply_adds
from training.recipe import BackboneName, read_recipe
from weedset.board.speeds import speeds
from weedset.errors import MissingPartError
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
    last = (nn.MaxPool2d, nn.AdaptiveAvgPool2d, nn.Flatten, nn.Dropout, nn.Linear)
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


def test_a_pretrained_resnet_sees_our_pixels_as_torchvision_sees_its_own(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # Reference: torchvision's net behind the transforms that come with its weights. The weights
    # are drawn, not fetched: no test goes over the network.
    torch.manual_seed(1)
    published = resnet50().eval()
    published.bn1.running_mean.normal_()
    published.bn1.running_var.uniform_(0.5, 2)
    monkeypatch.setattr(WeightsEnum, "get_state_dict", lambda *_, **__: published.state_dict())
    net = build_backbone("resnet50", 3, pretrained=True).eval()
    assert net(torch.zeros(2, 3, 64, 96)).shape == (2, 3)

    tile = np.random.default_rng(1).integers(0, 256, (96, 96, 3), np.uint8)
    pixels = torch.from_numpy(tile).permute(2, 0, 1)
    theirs = ResNet50_Weights.IMAGENET1K_V2.transforms(resize_size=96, crop_size=96)(pixels)[None]
    ours = torch.from_numpy(model_input(tile[None], NORMALISATION))
    assert isinstance(net, ResNet)
    with torch.inference_mode():
        expected = published.bn1(published.conv1(theirs))
        found = net.bn1(net.conv1(ours))
    inside = (..., slice(2, -2), slice(2, -2))  # the rim sees the zeros around the picture
    torch.testing.assert_close(found[inside], expected[inside], rtol=1e-4, atol=1e-4)
    for name, value in published.layer4.state_dict().items():
        assert torch.equal(net.layer4.state_dict()[name], value)


def test_resnet_is_as_large_as_published() -> None:
    # Reference: what torchvision tells of these weights: parameters, and 4.09 thousand million
    # multiply-adds at 224 px.
    told = ResNet50_Weights.IMAGENET1K_V2.meta
    assert parameter_count(build_backbone("resnet50", 1000)) == told["num_params"]
    assert multiply_adds("resnet50", 1000, 224) == pytest.approx(told["_ops"] * 1e9, rel=0.001)


@pytest.mark.parametrize(
    "failure", [URLError("no route"), OSError(28, "no space"), RuntimeError("invalid hash value")]
)
def test_weights_that_cannot_be_fetched_are_told(
    failure: Exception, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: object, **__: object) -> None:
        raise failure

    monkeypatch.setattr(WeightsEnum, "get_state_dict", fail)
    with pytest.raises(MissingPartError, match="ResNet-50 could not be fetched") as caught:
        build_backbone("resnet50", 3, pretrained=True)
    assert "lite0" in caught.value.fix
    assert build_backbone("resnet50", 3) is not None  # a trained run needs no network
