"""The training loop: steps, epochs, checkpoints, stops; and prediction."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import numpy as np
import torch
from numpy.typing import NDArray
from torch import nn
from torch.utils.data import DataLoader

from training.checkpoints import Checkpoint, Progress
from training.datasets import Batch, Steps, TileDataset, training_loader
from training.distillation import Teacher
from training.distributed import World, agreed, require_same, sum_over
from training.learner import Learner, to_input
from training.recipe import Recipe
from training.stopping import stop_asked
from training.timing import Epoch, Stopwatch
from weedset.errors import TrainingError
from weedset.talk import say

_SAVE, _STOP = 1, 2


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
    learner = Learner(model, recipe, pos_weight, world, teacher)
    begun = checkpoint.load(model, learner.optimizer)
    require_same(begun.step, world)
    if begun.step:
        say(f"going on after epoch {len(begun.epochs)} of {recipe.epochs}")
    yield from begun.epochs
    steps = Steps(learning.targets, recipe, world, begun.step)
    loader = training_loader(learning, steps, workers, pinned=world.device.type == "cuda")
    learner.begin(steps.tiles_each)

    epochs = list(begun.epochs)
    total = torch.tensor(begun.total if world.leads else 0.0, dtype=torch.float64)
    total = total.to(world.device)
    watch = Stopwatch(world.device)
    with stop_asked() as stop, _memory_told(recipe):
        for step, batch in enumerate(watch.waits(loader), begun.step):
            total += learner.learn(batch, step, steps.total)
            watch.computed(steps.tiles_each * world.size)

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
                checkpoint.save(model, learner.optimizer, Progress(done, tuple(epochs), so_far))
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


def _no_number(recipe: Recipe, epoch: int) -> TrainingError:
    return TrainingError(
        f"the loss stopped being a number in epoch {epoch}",
        where=recipe.name,
        fix=f"lower learning_rate, which is {recipe.learning_rate:g}, and start anew",
    )
