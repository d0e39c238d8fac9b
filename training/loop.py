"""The training loop: masked loss, AdamW on a one-cycle schedule, and prediction."""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import contextmanager

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor, nn
from torch.nn.functional import binary_cross_entropy_with_logits
from torch.optim import AdamW
from torch.utils.data import DataLoader

from training.backbones import NORMALISATION
from training.checkpoints import Checkpoint, Progress
from training.datasets import Batch, Steps, TileDataset, training_loader
from training.distillation import Teacher, soft_loss
from training.distributed import World, agreed, in_step, require_same, sum_over
from training.recipe import Recipe
from training.stopping import stop_asked
from training.timing import Epoch, Stopwatch
from weedset.errors import TrainingError
from weedset.talk import say

_SAVE, _STOP = 1, 2


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


def fit(
    model: nn.Module,
    learning: TileDataset,
    recipe: Recipe,
    pos_weight: NDArray[np.float32],
    world: World,
    checkpoint: Checkpoint,
    teacher: Teacher | None = None,
    workers: int = 0,
) -> Iterator[Epoch]:
    """Train `model` in place; yield each epoch once it is done, those before a stop too.

    What is random in a step follows from the seed and the number of the step, so that a run
    that goes on from a checkpoint ends as if it had never stopped.

    Raises TrainingError where the loss stops being a number or memory does not suffice,
    KeyboardInterrupt, after saving, where the run is told to stop.
    """
    # Channels last made an epoch on a CPU 1.4 times (small) and 1.6 times (lite0) quicker.
    model.to(world.device).to(memory_format=torch.channels_last)
    torch.backends.cudnn.benchmark = True  # all steps are of one size
    optimizer = AdamW(_parameter_groups(model, recipe.weight_decay), lr=recipe.learning_rate)
    begun = checkpoint.load(model, optimizer)
    require_same(begun.step, world)
    if begun.step:
        say(f"going on after epoch {len(begun.epochs)} of {recipe.epochs}")
    yield from begun.epochs
    steps = Steps(learning.targets, recipe, world, begun.step)
    on_card = world.device.type == "cuda"
    loader = training_loader(learning, steps, workers, pinned=on_card)
    weight = torch.from_numpy(pos_weight).to(world.device)
    shared = in_step(model, world, steps.tiles_each).train()

    epochs = list(begun.epochs)
    total = torch.tensor(begun.total if world.leads else 0.0, dtype=torch.float64)
    total = total.to(world.device)
    watch = Stopwatch(world.device)
    with stop_asked() as stop, _memory_told(recipe):
        for step, (tiles, targets, known) in enumerate(watch.waits(loader), begun.step):
            for group in optimizer.param_groups:
                group["lr"], beta = one_cycle(step, steps.total, recipe.learning_rate)
                group["betas"] = (beta, 0.999)
            torch.manual_seed(_seed_of(recipe.seed, step, world.rank))
            pixels = to_input(tiles, world.device)
            targets = targets.to(world.device, non_blocking=True)
            with torch.autocast(world.device.type, torch.bfloat16, enabled=on_card):
                scores = shared(pixels)
                asked = None if teacher is None else teacher(pixels)
            scores = scores.float()
            loss = masked_loss(scores, targets, weight, known, recipe.label_smoothing) * world.size
            if asked is not None:
                soft = soft_loss(scores, asked + weight.log(), recipe.temperature)
                loss = (1 - recipe.teacher_share) * loss + recipe.teacher_share * soft
            optimizer.zero_grad()
            loss.backward()  # type: ignore[no-untyped-call]  # torch leaves it untyped
            optimizer.step()
            total += loss.detach() / world.size
            watch.computed(len(tiles) * world.size)

            done = step + 1
            ends = done % steps.per_epoch == 0
            wish = _STOP if stop.is_set() else _SAVE if checkpoint.due() and world.leads else 0
            wish = agreed(wish, done, world)
            if not (ends or wish):
                continue
            so_far = sum_over(total, world)
            if not np.isfinite(so_far):
                raise _no_number(recipe, step // steps.per_epoch + 1)
            if ends:
                epochs.append(watch.epoch(so_far / steps.per_epoch))
                so_far = float(total.zero_().item())
            if wish and world.leads:
                checkpoint.save(model, optimizer, Progress(done, tuple(epochs), so_far))
            if wish == _STOP:
                raise KeyboardInterrupt
            if ends:
                yield epochs[-1]


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
    model: nn.Module, loader: DataLoader[Batch], device: torch.device
) -> NDArray[np.float32]:
    """Return the probabilities of all tiles in order, (tiles, classes)."""
    model.eval()
    found = [model(to_input(tiles, device)).sigmoid().cpu() for tiles, _, _ in loader]
    probabilities: NDArray[np.float32] = torch.cat(found).numpy()
    return probabilities


def to_input(tiles: Tensor, device: torch.device) -> Tensor:
    """Return pixels (n, side, side, 3) as `weedset.preprocess.model_input` would, on `device`.

    They cross over as bytes, a quarter of the size, and lie in memory as channels last.
    """
    moved = tiles.to(device, non_blocking=True).permute(0, 3, 1, 2).float()
    return (moved - NORMALISATION.mean) * float(np.float32(1 / NORMALISATION.std))


@contextmanager
def _memory_told(recipe: Recipe) -> Iterator[None]:
    try:
        yield
    except torch.OutOfMemoryError as exc:
        raise TrainingError(
            f"the graphics card has too little memory for {recipe.batch_size} tiles of "
            f"{recipe.input_px} px at a time",
            where=recipe.name,
            fix="lower batch_size in the recipe, or share it over more cards with torchrun",
        ) from exc


def _seed_of(*numbers: int) -> int:
    return int(np.random.SeedSequence(numbers).generate_state(1)[0])


def _no_number(recipe: Recipe, epoch: int) -> TrainingError:
    return TrainingError(
        f"the loss stopped being a number in epoch {epoch}",
        where=recipe.name,
        fix=f"lower learning_rate, which is {recipe.learning_rate:g}, and start anew",
    )


def _parameter_groups(model: nn.Module, weight_decay: float) -> list[dict[str, object]]:
    """Decay the weights of convolutions and linear layers, not biases nor batch norm."""
    parameters = [p for p in model.parameters() if p.requires_grad]
    return [
        {"params": [p for p in parameters if p.ndim > 1], "weight_decay": weight_decay},
        {"params": [p for p in parameters if p.ndim <= 1], "weight_decay": 0.0},
    ]
