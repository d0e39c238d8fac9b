"""One step of the small net in float64, by this process or with others."""

import json
import sys
from pathlib import Path

import pytest
import torch
from safetensors.torch import save_file
from torch import nn

from training.backbones import build_backbone
from training.distributed import (
    World,
    gradients_in_one,
    join_models,
    joined_world,
    require_same,
    sum_over_all,
)
from training.learner import masked_loss
from weedset.errors import TrainingError


def one_step(world: World, out: Path) -> None:
    """Write the gradients and the batch norm statistics after one step."""
    torch.manual_seed(1)
    model = build_backbone("tiny", 3).double().train()
    tiles = torch.randn(8, 3, 32, 32, dtype=torch.float64)
    targets = torch.randint(-1, 2, (8, 3), dtype=torch.int8)
    known = int((targets >= 0).sum())
    own = slice(world.rank, None, world.size)
    join_models(model, world, len(tiles) // world.size)
    gradients = gradients_in_one(model)
    scores = model(tiles[own])
    weight = torch.tensor([1.0, 2.0, 3.0], dtype=torch.float64)
    masked_loss(scores, targets[own], weight, known).backward()
    sum_over_all(gradients, world)
    found = {name: value.grad for name, value in model.named_parameters()}
    if world.leads:
        kept = {name: grad for name, grad in found.items() if grad is not None}
        save_file({**kept, **dict(model.named_buffers())}, out)


def many_have_their_own_batch_norm(world: World) -> None:
    """See that nothing is asked of others at a layer where each process takes many tiles."""
    model = build_backbone("tiny", 3)
    join_models(model, world, 64)
    norms = [module for module in model.modules() if isinstance(module, nn.BatchNorm2d)]
    assert {type(module) for module in norms} == {nn.BatchNorm2d}


if __name__ == "__main__":
    with joined_world() as joined:
        require_same(7, joined)
        with pytest.raises(TrainingError, match="from step 7, others from 8"):
            require_same(7 + joined.rank, joined)
        many_have_their_own_batch_norm(joined)
        one_step(joined, Path(json.loads(sys.argv[1])["out"]))
