import numpy as np
import torch
from torch import nn

from training.backbones import Lite0, imagenet_weights
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
