"""The training loop: masked loss, AdamW on a one-cycle schedule, and prediction."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor, nn
from torch.nn.functional import binary_cross_entropy_with_logits
from torch.optim import AdamW
from torch.optim.lr_scheduler import OneCycleLR
from torch.utils.data import DataLoader

from training.datasets import Sample
from training.recipe import Recipe
from weedset.errors import TrainingError


def masked_loss(scores: Tensor, targets: Tensor, pos_weight: Tensor) -> Tensor:
    """Return the mean binary cross-entropy over the targets that are known.

    `scores` (n, classes) are logits; `targets` (n, classes) are 1, 0 or -1 (not known: no
    part in the loss, so that no species is taught to be absent where nobody looked);
    `pos_weight` (classes,) weighs presence. Zero where nothing is known.
    """
    known = targets >= 0
    loss = binary_cross_entropy_with_logits(
        scores, targets.clamp(min=0).to(scores.dtype), reduction="none", pos_weight=pos_weight
    )
    return (loss * known).sum() / known.sum().clamp(min=1)


def presence_weights(targets: NDArray[np.int8], most: float) -> NDArray[np.float32]:
    """Return how much presence weighs per class: absent / present, between 1 and `most`.

    The ratio is the one that torch.nn.BCEWithLogitsLoss documents for `pos_weight`; the cap
    keeps a handful of examples of a rare species from ruling the loss. Plants seen more
    often than not are not weighed down, since missing a plant is no lesser error.
    """
    present = (targets == 1).sum(0)
    absent = (targets == 0).sum(0)
    weights: NDArray[np.float32] = np.clip(absent / np.maximum(present, 1), 1, most)
    return weights.astype(np.float32)


def fit(
    model: nn.Module,
    loader: DataLoader[Sample],
    recipe: Recipe,
    pos_weight: NDArray[np.float32],
    device: torch.device,
) -> Iterator[float]:
    """Train `model` in place; yield the mean loss of each epoch once it is done.

    One-cycle (Smith & Topin 2018) ends at a learning rate of nearly zero, so that the last
    weights are the ones to keep: no choice among epochs flatters the validation score.

    Raises TrainingError where the loss stops being a number.
    """
    # Channels last made an epoch on a CPU 1.4 times (small) and 1.6 times (lite0) quicker.
    model.to(device).to(memory_format=torch.channels_last)
    optimizer = AdamW(_parameter_groups(model, recipe.weight_decay), lr=recipe.learning_rate)
    schedule = OneCycleLR(
        optimizer, recipe.learning_rate, epochs=recipe.epochs, steps_per_epoch=len(loader)
    )
    weight = torch.from_numpy(pos_weight).to(device)
    for epoch in range(1, recipe.epochs + 1):
        model.train()
        total = 0.0
        for tiles, targets in loader:
            scores = model(tiles.to(device, memory_format=torch.channels_last))
            loss = masked_loss(scores, targets.to(device), weight)
            optimizer.zero_grad()
            loss.backward()  # type: ignore[no-untyped-call]  # torch leaves it untyped
            optimizer.step()
            schedule.step()
            total += loss.item()
        if not np.isfinite(total):
            raise TrainingError(
                f"the loss stopped being a number in epoch {epoch}",
                where=recipe.name,
                fix=f"lower learning_rate, which is {recipe.learning_rate:g}",
            )
        yield total / len(loader)


@torch.no_grad()
def take_back_weights(model: nn.Module, pos_weight: NDArray[np.float32]) -> None:
    """Lower the last biases so that scores mean probabilities again, in place.

    A loss that weighs presence by w is least where the odds are w times the true ones
    (Elkan 2001, "The foundations of cost-sensitive learning"): log w too much in each logit.
    """
    head = [module for module in model.modules() if isinstance(module, nn.Linear)][-1]
    head.bias.sub_(torch.from_numpy(np.log(pos_weight)).to(head.bias))


@torch.inference_mode()
def predict(
    model: nn.Module, loader: DataLoader[Sample], device: torch.device
) -> NDArray[np.float32]:
    """Return the probabilities of all tiles in order, (tiles, classes)."""
    model.eval()
    found = [
        model(tiles.to(device, memory_format=torch.channels_last)).sigmoid().cpu()
        for tiles, _ in loader
    ]
    probabilities: NDArray[np.float32] = torch.cat(found).numpy()
    return probabilities


def _parameter_groups(model: nn.Module, weight_decay: float) -> list[dict[str, object]]:
    """Decay the weights of convolutions and linear layers, not biases nor batch norm."""
    parameters = [p for p in model.parameters() if p.requires_grad]
    return [
        {"params": [p for p in parameters if p.ndim > 1], "weight_decay": weight_decay},
        {"params": [p for p in parameters if p.ndim <= 1], "weight_decay": 0.0},
    ]
