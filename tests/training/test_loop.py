from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import torch
from safetensors.torch import load_file
from sklearn.linear_model import LogisticRegression
from torch import nn
from torch.optim import AdamW
from torch.optim.lr_scheduler import OneCycleLR
from toy_garden import toy_recipe

from training.checkpoints import Checkpoint
from training.datasets import Batch, Order, TileDataset
from training.distributed import World
from training.learner import masked_loss, one_cycle
from training.loop import fit, presence_weights, take_back_weights
from training.timing import Epoch
from weedset.errors import TrainingError


def test_without_unknowns_the_loss_is_that_of_torch() -> None:
    # Reference: torch.nn.BCEWithLogitsLoss.
    generator = torch.Generator().manual_seed(0)
    scores = torch.randn(16, 3, generator=generator)
    targets = torch.randint(0, 2, (16, 3), generator=generator, dtype=torch.int8)
    weight = torch.tensor([1.0, 4.0, 2.5])
    expected = nn.BCEWithLogitsLoss(pos_weight=weight)(scores, targets.float())
    torch.testing.assert_close(masked_loss(scores, targets, weight), expected)


def test_what_is_not_known_has_no_part_in_loss_or_gradient() -> None:
    scores = torch.tensor([[0.3, 9.0], [-0.2, -9.0]], requires_grad=True)
    targets = torch.tensor([[1, -1], [0, -1]], dtype=torch.int8)
    loss = masked_loss(scores, targets, torch.ones(2))
    expected = nn.BCEWithLogitsLoss()(scores[:, 0], torch.tensor([1.0, 0.0]))
    torch.testing.assert_close(loss, expected)
    loss.backward()
    assert scores.grad is not None
    assert not scores.grad[:, 1].any()


def test_a_batch_of_which_nothing_is_known_teaches_nothing() -> None:
    scores = torch.zeros(2, 2, requires_grad=True)
    loss = masked_loss(scores, torch.full((2, 2), -1, dtype=torch.int8), torch.ones(2))
    assert loss.item() == 0


def test_presence_weighs_absent_over_present_within_bounds() -> None:
    # 1 present of 5 known -> 4; more often present than not -> 1; 1 in 100 -> the cap.
    targets = np.full((100, 3), -1, np.int8)
    targets[:5, 0] = (1, 0, 0, 0, 0)
    targets[:5, 1] = (1, 1, 1, 1, 0)
    targets[:, 2] = (1, *[0] * 99)
    assert presence_weights(targets, most=10).tolist() == [4, 1, 10]


def test_scores_of_a_weighed_loss_become_probabilities_again() -> None:
    # Reference: scikit-learn's logistic regression without weights, on data that it fits.
    rng = np.random.default_rng(0)
    x = rng.normal(size=(20_000, 1))
    y = rng.random(20_000) < 1 / (1 + np.exp(3 - 1.5 * x[:, 0]))
    plain = LogisticRegression(C=1e6).fit(x, y)
    weighed = LogisticRegression(C=1e6, class_weight={0: 1, 1: 8}).fit(x, y)
    net = nn.Sequential(nn.Linear(1, 1))
    with torch.no_grad():
        net[0].weight.fill_(weighed.coef_[0, 0])
        net[0].bias.fill_(weighed.intercept_[0])
    take_back_weights(net, np.array([8.0], np.float32))
    found = net(torch.from_numpy(x).float()).sigmoid().detach().numpy()[:, 0]
    assert np.abs(found - plain.predict_proba(x)[:, 1]).max() < 0.02
    assert abs(found.mean() - y.mean()) < 0.002


def test_the_learning_rate_goes_up_and_down_as_torchs_one_cycle_has_it() -> None:
    # Reference: torch.optim.lr_scheduler.OneCycleLR.
    total, peak = 37, 0.02
    optimizer = AdamW([torch.zeros(1, requires_grad=True)], lr=1)
    schedule = OneCycleLR(optimizer, peak, total_steps=total)
    for step in range(total):
        group = optimizer.param_groups[0]
        assert one_cycle(step, total, peak) == pytest.approx((group["lr"], group["betas"][0]))
        optimizer.step()
        if step < total - 1:
            schedule.step()


def test_a_run_of_one_step_has_a_learning_rate() -> None:
    rate, _ = one_cycle(0, 1, 0.01)
    assert 0 < rate <= 0.01


def test_smoothed_labels_are_those_of_a_mean_of_both_losses() -> None:
    # Szegedy et al. 2016, section 7: the loss against a smoothed label is a mix of the
    # losses against the label and against a label that says nothing (one half).
    generator = torch.Generator().manual_seed(0)
    scores = torch.randn(16, 3, generator=generator)
    targets = torch.randint(0, 2, (16, 3), generator=generator, dtype=torch.int8)
    ones = torch.ones(3)
    bce = nn.BCEWithLogitsLoss()
    expected = 0.9 * bce(scores, targets.float()) + 0.1 * bce(scores, torch.full((16, 3), 0.5))
    torch.testing.assert_close(masked_loss(scores, targets, ones, smoothing=0.1), expected)


class OneTile(TileDataset):
    """Two tiles of noise, of which everything is known."""

    def __init__(self) -> None:
        self.targets = np.ones((2, 1), np.int8)

    def __getitem__(self, order: Order) -> Batch:
        known = torch.from_numpy(self.targets[order.indices])
        return torch.zeros(len(known), 32, 32, 3, dtype=torch.uint8), known, order.known


def fitted(model: nn.Module, folder: Path) -> list[Epoch]:
    recipe = toy_recipe(epochs=2, batch_size=2, learning_rate=0.5)
    world = World(0, 1, 1, torch.device("cpu"))
    checkpoint = Checkpoint(folder, {"labels": "these"}, every_s=0)
    return list(fit(model, OneTile(), recipe, np.ones(1, np.float32), world, checkpoint))


class Net(nn.Module):
    def __init__(self, fault: Callable[[int], float]) -> None:
        super().__init__()
        self.last = nn.Linear(3, 1)
        self.calls, self.fault = 0, fault

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        self.calls += 1
        scores: torch.Tensor = self.last(x.mean((2, 3))) * self.fault(self.calls)
        return scores


def test_a_loss_that_is_no_number_stops_the_run_and_the_last_good_state_is_kept(
    tmp_path: Path,
) -> None:
    with pytest.raises(TrainingError, match="stopped being a number in epoch 2") as caught:
        fitted(Net(lambda call: float("nan") if call == 2 else 1), tmp_path)
    assert "learning_rate" in caught.value.fix
    kept = load_file(tmp_path / "checkpoint.safetensors")
    assert all(part.isfinite().all() for part in kept.values())


def test_too_little_memory_is_told_with_what_to_lower(tmp_path: Path) -> None:
    def full(_call: int) -> float:
        raise torch.OutOfMemoryError("CUDA out of memory")

    with pytest.raises(TrainingError, match="too little memory for 2 tiles of 32 px") as caught:
        fitted(Net(full), tmp_path)
    assert "batch_size" in caught.value.fix
