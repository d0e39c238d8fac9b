"""One step of learning: masked loss, gradients of all processes, AdamW on a one-cycle schedule."""

from __future__ import annotations

import math

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor, nn
from torch.nn.functional import binary_cross_entropy_with_logits
from torch.optim import AdamW

from training.backbones import NORMALISATION
from training.datasets import Batch
from training.distillation import Teacher, soft_loss
from training.distributed import World, gradients_in_one, join_models, sum_over_all
from training.recipe import Recipe


class Learner:
    """A net, and all it takes to make it learn from one batch after the other.

    `pos_weight` (classes,) weighs presence. `model` is changed in place, and so is where it lies.
    """

    def __init__(
        self,
        model: nn.Module,
        recipe: Recipe,
        pos_weight: NDArray[np.float32],
        world: World,
        teacher: Teacher | None = None,
    ) -> None:
        # Channels last made an epoch on a CPU 1.4 times (small) and 1.6 times (lite0) quicker.
        self.model = model.to(world.device).to(memory_format=torch.channels_last)
        self._on_card = world.device.type == "cuda"
        self.optimizer = AdamW(
            _parameter_groups(model, recipe.weight_decay),
            lr=recipe.learning_rate,
            fused=self._on_card,  # one thing to ask of the card instead of a hundred
        )
        self._gradients = gradients_in_one(model)
        self._pos_weight = torch.from_numpy(pos_weight).to(world.device)
        self._recipe, self._world, self._teacher = recipe, world, teacher

    def begin(self, tiles_each: int) -> None:
        """Make ready for steps in which each process takes so many tiles."""
        torch.backends.cudnn.benchmark = True  # all steps are of one size
        join_models(self.model, self._world, tiles_each)
        self.model.train()

    def learn(self, batch: Batch, step: int, steps: int) -> Tensor:
        """Take one of `steps` steps; return this process's part of its loss, on its device.

        What is random follows from the seed and the number of the step. Nothing waits for a card.
        """
        for group in self.optimizer.param_groups:
            group["lr"], beta = one_cycle(step, steps, self._recipe.learning_rate)
            group["betas"] = (beta, 0.999)
        torch.manual_seed(_seed_of(self._recipe.seed, step, self._world.rank))
        self._gradients.zero_()
        loss = self._loss(batch)
        loss.backward()  # type: ignore[no-untyped-call]  # torch leaves it untyped
        sum_over_all(self._gradients, self._world)
        self.optimizer.step()
        return loss.detach()

    def _loss(self, batch: Batch) -> Tensor:
        tiles, targets, known = batch
        recipe, device = self._recipe, self._world.device
        pixels = to_input(tiles, device)
        targets = targets.to(device, non_blocking=True)
        with torch.autocast(device.type, torch.bfloat16, enabled=self._on_card):
            scores = self.model(pixels)
            asked = None if self._teacher is None else self._teacher(pixels)
        scores = scores.float()
        hard = masked_loss(scores, targets, self._pos_weight, known, recipe.label_smoothing)
        if asked is None:
            return hard
        soft = soft_loss(scores, asked + self._pos_weight.log(), recipe.temperature)
        share = recipe.teacher_share
        return (1 - share) * hard + share * soft / self._world.size


def masked_loss(
    scores: Tensor,
    targets: Tensor,
    pos_weight: Tensor,
    known: int | None = None,
    smoothing: float = 0.0,
) -> Tensor:
    """Return the mean binary cross-entropy over the targets that are known.

    `scores` (n, classes) are logits; `targets` (n, classes) are 1, 0 or -1 (not known: no
    part in the loss, so that no species is taught to be absent where nobody looked);
    `pos_weight` (classes,) weighs presence. Zero where nothing is known. `known` divides
    the sum instead of the number of known targets here. `smoothing` moves targets so far
    towards one half, for labels that may be wrong (Lukasik et al. 2020, "Does label smoothing
    mitigate label noise?").
    """
    is_known = targets >= 0
    wanted = targets.clamp(min=0).to(scores.dtype) * (1 - smoothing) + smoothing / 2
    loss = binary_cross_entropy_with_logits(scores, wanted, reduction="none", pos_weight=pos_weight)
    total = (loss * is_known).sum()
    return total / (is_known.sum().clamp(min=1) if known is None else max(known, 1))


def one_cycle(step: int, total: int, peak: float) -> tuple[float, float]:
    """Return learning rate and first beta of AdamW for a step of `total`.

    The schedule of Smith & Topin 2018 as torch's OneCycleLR has it by default: up to `peak`
    on a cosine for 0.3 of the steps, then down to nearly zero, so that the last weights are
    the ones to keep and no choice among epochs flatters the validation score.
    """
    top, last = max(0.3 * total - 1, 1e-9), total - 1
    rising = step <= top
    share = step / top if rising else (step - top) / (last - top)
    ends = (peak / 25, peak, 0.95, 0.85) if rising else (peak, peak / 25e4, 0.85, 0.95)
    cosine = (1 + math.cos(math.pi * share)) / 2
    return (
        ends[1] + (ends[0] - ends[1]) * cosine,
        ends[3] + (ends[2] - ends[3]) * cosine,
    )


def to_input(tiles: Tensor, device: torch.device) -> Tensor:
    """Return pixels (n, side, side, 3) as `weedset.preprocess.model_input` would, on `device`.

    They cross over as bytes, a quarter of the size, and lie in memory as channels last.
    """
    moved = tiles.to(device, non_blocking=True).permute(0, 3, 1, 2).float()
    return (moved - NORMALISATION.mean) * float(np.float32(1 / NORMALISATION.std))


def _seed_of(*numbers: int) -> int:
    return int(np.random.SeedSequence(numbers).generate_state(1)[0])


def _parameter_groups(model: nn.Module, weight_decay: float) -> list[dict[str, object]]:
    """Decay the weights of convolutions and linear layers, not biases nor batch norm."""
    parameters = [p for p in model.parameters() if p.requires_grad]
    return [
        {"params": [p for p in parameters if p.ndim > 1], "weight_decay": weight_decay},
        {"params": [p for p in parameters if p.ndim <= 1], "weight_decay": 0.0},
    ]
