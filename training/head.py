"""The last layer of a net by itself: what goes into it, and fitting it anew.

All other layers stay, so that a few hundred tiles are enough and take seconds.
"""

from __future__ import annotations

from copy import deepcopy

import torch
from torch import Tensor, nn
from torch.nn.functional import binary_cross_entropy_with_logits, linear
from torch.utils.data import DataLoader

from training.datasets import Batch
from training.learner import to_input

_MOST_STEPS = 200


def head_of(model: nn.Module) -> tuple[str, nn.Linear]:
    """Return the name of the last layer, and the layer."""
    layers = [(name, part) for name, part in model.named_modules() if isinstance(part, nn.Linear)]
    return layers[-1]


@torch.no_grad()
def features(model: nn.Module, loader: DataLoader[Batch]) -> tuple[Tensor, Tensor]:
    """Return what reaches the last layer, (tiles, width) in float64, and the targets."""
    seen: list[Tensor] = []
    known: list[Tensor] = []
    hook = head_of(model)[1].register_forward_pre_hook(lambda _, given: seen.append(given[0]))
    model.eval()
    for tiles, targets, _ in loader:
        model(to_input(tiles, torch.device("cpu")))
        known.append(targets)
    hook.remove()
    return torch.cat(seen).double(), torch.cat(known)


def widened(head: nn.Linear, targets: Tensor) -> nn.Linear:
    """Return a float64 copy of a head with a row more for each new class of `targets`.

    A new class starts at its share among the tiles of which it is known, whatever the tile.
    """
    wide = nn.Linear(head.in_features, targets.shape[1]).double()
    old = head.out_features
    known = targets[:, old:] >= 0
    share = ((targets[:, old:] == 1).sum(0) + 1) / (known.sum(0) + 2)
    with torch.no_grad():
        wide.weight.zero_()[:old] = head.weight
        wide.bias[:old] = head.bias
        wide.bias[old:] = share.logit()
    return wide


def refitted(
    head: nn.Linear, given: Tensor, targets: Tensor, old_classes: int, strength: float
) -> nn.Linear:
    """Return `head` fitted to `targets` (tiles, classes) for the features `given`.

    Where a target is not known, each of the first `old_classes` is asked for what `head` says
    (learning without forgetting, Li & Hoiem 2016), so that species that nobody looked for stay
    as they are. `strength` holds the weights near those of `head` (L2-SP, Li, Grandvalet &
    Davoine 2018). Convex, so that one answer is the best; found by L-BFGS.
    """
    fitted = deepcopy(head)
    known = targets >= 0
    with torch.no_grad():
        said = head(given).sigmoid()
    wanted = torch.where(known, targets.double(), said)
    counts = known | (torch.arange(targets.shape[1]) < old_classes)
    weights = counts.double() / counts.sum()
    optimizer = torch.optim.LBFGS(
        fitted.parameters(), max_iter=_MOST_STEPS, line_search_fn="strong_wolfe"
    )

    def loss() -> Tensor:
        optimizer.zero_grad()
        scores = linear(given, fitted.weight, fitted.bias)
        entropy = binary_cross_entropy_with_logits(scores, wanted, weights, reduction="sum")
        away = ((fitted.weight - head.weight) ** 2).sum()
        total: Tensor = entropy + strength / 2 * away
        total.backward()  # type: ignore[no-untyped-call]  # torch leaves it untyped
        return total

    optimizer.step(loss)  # type: ignore[no-untyped-call]
    return fitted
