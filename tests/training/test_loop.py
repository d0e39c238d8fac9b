import numpy as np
import pytest
import torch
from sklearn.linear_model import LogisticRegression
from torch import nn

from training.loop import fit, masked_loss, presence_weights, take_back_weights
from training.recipe import Recipe
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


def test_a_loss_that_is_no_number_stops_the_run_and_says_what_to_do() -> None:
    recipe = Recipe("wild", "small", 32, 2, 2, 1.0, 0, 0, 10, 2, 1, 0)
    batch = (torch.full((2, 3, 32, 32), float("nan")), torch.ones(2, 1, dtype=torch.int8))
    model = nn.Sequential(nn.Flatten(), nn.Linear(3 * 32 * 32, 1))
    with pytest.raises(TrainingError, match="stopped being a number in epoch 1") as caught:
        list(fit(model, [batch], recipe, np.ones(1, np.float32), torch.device("cpu")))  # type: ignore[arg-type]
    assert "learning_rate" in caught.value.fix
