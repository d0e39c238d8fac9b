from pathlib import Path

import numpy as np
import onnx
import torch
from onnx import numpy_helper
from onnxruntime.quantization.quant_utils import get_qmin_qmax_for_qType
from torch import nn

from training.backbones import Lite0, build_backbone, imagenet_weights
from training.export import write_float_model
from training.quantize import quantize
from training.rounding import STEPS, rounded


def natural_tiles(count: int) -> torch.Tensor:
    """Return tiles of a photo that comes with scikit-learn, as model input."""
    from sklearn.datasets import load_sample_image

    pixels = load_sample_image("flower.jpg")
    rng = np.random.default_rng(0)
    corners = zip(rng.integers(0, 427 - 96, count), rng.integers(0, 640 - 96, count), strict=True)
    tiles = np.stack([pixels[y : y + 96, x : x + 96] for y, x in corners])
    return torch.from_numpy((tiles.transpose(0, 3, 1, 2).astype(np.float32) - 127) / 128)


def test_weights_lie_on_the_steps_of_int8_and_scores_stay_near() -> None:
    # Reference: torch, which runs both nets; the net is the real Lite0.
    net = Lite0(1000, 0)
    net.load_state_dict(imagenet_weights())
    net.eval()
    before = {name: value.clone() for name, value in net.state_dict().items()}
    learn, judge = natural_tiles(48).split(32)
    made_up_for = rounded(net, learn)

    plain = Lite0(1000, 0).eval()
    plain.load_state_dict(before)
    for module, other in zip(plain.modules(), made_up_for.modules(), strict=True):
        if isinstance(module, nn.Conv2d):
            assert isinstance(other, nn.Conv2d)
            largest = module.weight.abs().amax((1, 2, 3), keepdim=True).clamp(min=1e-12)
            steps = other.weight / (largest / STEPS)
            torch.testing.assert_close(steps, steps.round(), atol=1e-3, rtol=0)
            assert (other.weight - module.weight).abs().le(0.501 * largest / STEPS).all()
            module.weight.data = other.weight.clone()

    with torch.inference_mode():
        wanted = net(judge).softmax(1)
        off_plain = (plain(judge).softmax(1) - wanted).abs().sum(1).mean()
        off_made_up = (made_up_for(judge).softmax(1) - wanted).abs().sum(1).mean()
    assert off_made_up < 0.7 * off_plain
    assert all(torch.equal(value, before[name]) for name, value in net.state_dict().items())


def off_by_quantizing(net: nn.Module, inputs: torch.Tensor, folder: Path) -> float:
    """Return by what share of the largest weight onnxruntime's quantizer changes one at most."""
    float_path, int8_path = folder / "float.onnx", folder / "int8.onnx"
    write_float_model(net, inputs.shape[-1], float_path)
    quantize(float_path, int8_path, inputs.numpy())
    wanted, found = (
        {item.name: numpy_helper.to_array(item) for item in onnx.load(path).graph.initializer}
        for path in (float_path, int8_path)
    )
    changes = []
    for name, weight in wanted.items():
        if f"{name}_quantized" in found and weight.ndim == 4:
            scale = found[f"{name}_scale"].reshape(-1, 1, 1, 1)
            kept = found[f"{name}_quantized"] * scale
            changes.append(np.abs(kept - weight).max() / np.abs(weight).max())
    assert len(changes) == 15  # the convolutions of the tiny net
    return float(max(changes))


def test_rounded_weights_are_the_ones_that_int8_keeps(tmp_path: Path) -> None:
    # Reference: onnxruntime, whose signed 8 bits with reduce_range go from -64 to 64.
    lowest, highest = get_qmin_qmax_for_qType(
        onnx.TensorProto.INT8, reduce_range=True, symmetric=True
    )
    assert (int(lowest), int(highest)) == (-STEPS, STEPS)
    torch.manual_seed(0)
    net, inputs = build_backbone("tiny", 3), torch.randn(32, 3, 32, 32)
    with torch.no_grad():
        net.train()(inputs)
    assert off_by_quantizing(net.eval(), inputs, tmp_path) > 1e-3
    assert off_by_quantizing(rounded(net, inputs), inputs, tmp_path) < 1e-6
