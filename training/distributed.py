"""One process or several, on one machine or several, as torchrun starts them.

Everything that depends on how many processes train together is in this file. With one, all
of it does nothing.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager, redirect_stderr
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import torch
import torch.distributed as dist
from torch import Tensor, nn

from weedset.errors import TrainingError
from weedset.hands import cores

#: Several processes ask each other only so often whether to save or to stop.
_STEPS_BETWEEN_TALKS = 10

#: Twice what Goyal et al. 2017 had.
_TILES_FOR_OWN_BATCH_NORM = 64


@dataclass(frozen=True, slots=True)
class World:
    """Which of `size` processes this is (`rank`, from 0), how many are on this machine
    (`here`), and where it computes."""

    rank: int
    size: int
    here: int
    device: torch.device

    @property
    def leads(self) -> bool:
        """Whether this process writes and speaks."""
        return self.rank == 0


@contextmanager
def joined_world() -> Iterator[World]:
    """Join the processes that torchrun started, or be alone.

    All but the first keep quiet: what they would say, the first one says.

    Raises TrainingError where there are more processes than graphics cards.
    """
    size, rank = int(os.environ.get("WORLD_SIZE", "1")), int(os.environ.get("RANK", "0"))
    here, local = int(os.environ.get("LOCAL_WORLD_SIZE", "1")), os.environ.get("LOCAL_RANK", "0")
    cards = torch.cuda.device_count() if torch.cuda.is_available() else 0
    if cards and here > cards:
        raise TrainingError(
            f"{here} processes were started on a machine with {cards} graphics cards",
            where="torchrun",
            fix=f"torchrun --nproc-per-node {cards}",
        )
    device = torch.device("cuda", int(local)) if cards else torch.device("cpu")
    if cards:
        torch.cuda.set_device(device)
    world = World(rank, size, here, device)
    if size == 1:
        yield world
        return
    dist.init_process_group("nccl" if cards else "gloo", device_id=device if cards else None)
    try:
        with _quiet(not world.leads):
            yield world
        dist.barrier()  # who leaves early cuts the others off
    finally:
        dist.destroy_process_group()


def shared_batch(batch_size: int, count: int, world: World) -> int:
    """Return how many of `count` tiles all processes together take in a step.

    Raises TrainingError where `batch_size` cannot be shared out evenly.
    """
    if batch_size % world.size or count < world.size:
        raise TrainingError(
            f"{min(batch_size, count)} tiles cannot be shared out over {world.size} processes",
            where="batch_size",
            fix=f"make batch_size a multiple of {world.size}, or start fewer processes",
        )
    smaller = min(batch_size, count)
    return smaller - smaller % world.size


def usual_workers(world: World) -> int:
    """Return how many processes prepare tiles beside this one.

    A processor learns more slowly than tiles can be prepared, and wants its cores itself.
    """
    return cores() // world.here if world.device.type == "cuda" else 0


def join_models(model: nn.Module, world: World, tiles_each: int) -> None:
    """Make `model` in all processes the one that the first has, in place.

    Batch norm becomes that of all tiles of a step where each process takes few: statistics of
    few are noise. From 64 `tiles_each` on each process has its own (Goyal et al. 2017,
    "Accurate, large minibatch SGD", section 2.3, did so with 32), and the first one's are kept:
    talking of them for each layer made two cards slower than one.
    """
    if world.size == 1:
        return
    for value in model.state_dict().values():
        dist.broadcast(value, 0)
    if tiles_each >= _TILES_FOR_OWN_BATCH_NORM:
        return
    if world.device.type == "cuda":
        nn.SyncBatchNorm.convert_sync_batchnorm(model)  # type: ignore[no-untyped-call]
        return
    for module in model.modules():
        if isinstance(module, nn.BatchNorm2d):
            # The same object, so that an optimizer keeps hold of its weights.
            module.__class__ = _SharedBatchNorm


def gradients_in_one(model: nn.Module) -> Tensor:
    """Lay the gradients of `model` into one tensor, and return it: zero it before each step.

    So all of them go to other processes in one message. DistributedDataParallel sends parts
    while the rest is still being computed, and for that has something to do at each weight.
    With nets as small as ours cards wait for the program, and it took longer than what it hid
    (`tests/benchmarks/gpu_training.py --limits`).
    """
    weights = [weight for weight in model.parameters() if weight.requires_grad]
    sizes = [weight.numel() for weight in weights]
    whole = torch.zeros(sum(sizes)).to(weights[0])
    for weight, part in zip(weights, torch.split(whole, sizes), strict=True):
        weight.grad = part.as_strided(weight.shape, weight.stride())
    return whole


def sum_over_all(values: Tensor, world: World) -> None:
    """Make `values` the sum of those that all processes have, in place."""
    if world.size > 1:
        dist.all_reduce(values)


def require_same(step: int, world: World) -> None:
    """Raise TrainingError where processes would begin at different steps."""
    if world.size == 1:
        return
    ends = torch.tensor([step, -step], device=world.device)
    dist.all_reduce(ends, dist.ReduceOp.MAX)
    if ends[0] != -ends[1]:
        raise TrainingError(
            f"some processes would go on from step {int(-ends[1])}, others from {int(ends[0])}",
            where="checkpoint",
            fix="let all machines share one folder for the run",
        )


def sum_over(value: Tensor, world: World) -> float:
    """Return the sum of a number over all processes."""
    value = value.clone()
    sum_over_all(value, world)
    return float(value.item())


def agreed(wish: int, step: int, world: World) -> int:
    """Return the largest wish of any process, now and then; 0 between."""
    if world.size == 1:
        return wish
    if step % _STEPS_BETWEEN_TALKS:
        return 0
    wishes = torch.tensor(wish, device=world.device)
    dist.all_reduce(wishes, dist.ReduceOp.MAX)
    return int(wishes.item())


@contextmanager
def _quiet(wanted: bool) -> Iterator[None]:
    with Path(os.devnull).open("w") as nowhere, redirect_stderr(nowhere if wanted else sys.stderr):
        yield


class _Sum(torch.autograd.Function):
    """The sum over all processes, through which gradients flow back to all of them."""

    @staticmethod
    def forward(_ctx: Any, value: Tensor) -> Tensor:
        total = value.clone()
        dist.all_reduce(total)
        return total

    @staticmethod
    def backward(_ctx: Any, *grads: Tensor) -> Tensor:
        total = grads[0].contiguous().clone()
        dist.all_reduce(total)
        return total


class _SharedBatchNorm(nn.BatchNorm2d):
    """Batch norm over the tiles of all processes: torch's SyncBatchNorm wants a graphics card."""

    def forward(self, x: Tensor) -> Tensor:
        if not self.training:
            return super().forward(x)
        assert self.running_mean is not None
        assert self.running_var is not None
        assert self.momentum is not None
        count = x.numel() // x.shape[1] * dist.get_world_size()
        mean: Tensor = _Sum.apply(x.sum((0, 2, 3))) / count
        shifted = x - mean[:, None, None]
        var: Tensor = _Sum.apply((shifted * shifted).sum((0, 2, 3))) / count
        with torch.no_grad():
            if self.num_batches_tracked is not None:
                self.num_batches_tracked.add_(1)
            self.running_mean.lerp_(mean, self.momentum)
            self.running_var.lerp_(var * (count / (count - 1)), self.momentum)
        scale = self.weight / (var + self.eps).sqrt()
        return shifted * scale[:, None, None] + self.bias[:, None, None]
