"""A run that is under way, on the disk: what it takes to go on after a stop.

One file, checkpoint.safetensors: the weights, what the optimizer remembers, the number of the
step, and what the run was told, against which the next start is held.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from time import monotonic

import torch
from safetensors import SafetensorError, safe_open
from safetensors.torch import save
from torch import Tensor, nn
from torch.optim import Optimizer

from training.timing import Epoch, epochs_from
from weedset.digests import write_whole
from weedset.errors import SettingsError, TrainingError
from weedset.fields import parse_json

_NAME = "checkpoint.safetensors"

#: How the parts of a training state are told apart inside the file.
_WEIGHT, _MEMORY = "weight/", "memory/"


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a run is: steps done, epochs done, and the sum of losses in the one begun."""

    step: int = 0
    epochs: tuple[Epoch, ...] = ()
    total: float = 0.0


class Checkpoint:
    """The checkpoint of the run in `folder`.

    `told` is what fixes the result of the run, by what people call it. A checkpoint is due
    `every_s` seconds after the last. `epochs_before` counts the epochs that were done before
    the stop, once the checkpoint is loaded.
    """

    epochs_before = 0

    def __init__(self, folder: Path, told: Mapping[str, str], every_s: float = 60) -> None:
        self._path = folder / _NAME
        self._told = dict(told)
        self._every_s = every_s
        self._last_s = monotonic()

    def due(self) -> bool:
        """Whether it is time to save again."""
        return monotonic() - self._last_s >= self._every_s

    def save(self, model: nn.Module, optimizer: Optimizer, progress: Progress) -> None:
        """Write the checkpoint; the one before stays until this one is whole and on the disk.

        Raises TrainingError where there is no room for it, or its weights are no numbers.
        """
        weights = {_WEIGHT + name: value for name, value in model.state_dict().items()}
        memory = {
            f"{_MEMORY}{i}/{name}": value
            for i, state in optimizer.state_dict()["state"].items()
            for name, value in state.items()
        }
        parts = {name: part.cpu().contiguous() for name, part in (weights | memory).items()}
        if not all(bool(part.isfinite().all()) for part in parts.values()):
            fix = "lower learning_rate in the recipe, and start anew in another folder"
            raise TrainingError("the weights stopped being numbers", where=str(self._path), fix=fix)
        note = {**self._told, "progress": json.dumps(asdict(progress))}
        try:
            for left in self._path.parent.glob(f".{_NAME}.*.part"):
                left.unlink(missing_ok=True)  # of a process that was killed while it wrote
            write_whole(self._path, save(parts, note))
        except OSError as exc:
            raise TrainingError(
                f"cannot be written ({exc.strerror}); the checkpoint before it is untouched",
                where=str(self._path),
                fix="make room on the disk, then give the same command: it goes on from there",
            ) from exc
        self._last_s = monotonic()

    def load(self, model: nn.Module, optimizer: Optimizer) -> Progress:
        """Put model and optimizer where the checkpoint left them; at the start without one.

        Raises SettingsError where it is of a run that was told something else, or damaged.
        """
        if not self._path.exists():
            return Progress()
        try:
            with safe_open(self._path, "pt") as file:
                note = file.metadata() or {}
                self._check(note)
                parts = {name: file.get_tensor(name) for name in file.keys()}  # noqa: SIM118
            progress = _progress(note.get("progress", ""), str(self._path))
            model.load_state_dict(_below(parts, _WEIGHT))
            _remember(optimizer, _below(parts, _MEMORY))
        except (SafetensorError, OSError, RuntimeError, KeyError, ValueError) as exc:
            fix = "remove it to start anew, or name another folder with --out"
            raise SettingsError("is damaged", where=str(self._path), fix=fix) from exc
        self.epochs_before = len(progress.epochs)
        return progress

    def remove(self) -> None:
        """Remove it: the run is finished."""
        self._path.unlink(missing_ok=True)

    def _check(self, note: Mapping[str, str]) -> None:
        for what, told in self._told.items():
            if note.get(what) != told:
                raise SettingsError(
                    f"is of a run with other {what}{_difference(note.get(what, ''), told)}, so "
                    "this one cannot go on from it",
                    where=str(self._path),
                    fix="name another folder with --out, or remove this file to start anew",
                )


def _difference(before: str, now: str) -> str:
    """Return in words which setting of a recipe differs, nothing of what is no recipe."""
    try:
        old, new = json.loads(before), json.loads(now)
        name = next(name for name in new if old.get(name) != new[name])
    except (ValueError, AttributeError, TypeError, StopIteration):
        return ""
    return f" ({name} was {old.get(name)}, is now {new[name]})"


def _progress(text: str, where: str) -> Progress:
    fields = parse_json(text, where, SettingsError)
    step = fields.whole("step", least=0, most=2**62)
    return Progress(step, epochs_from(fields), fields.number("total", least=0, most=1e12))


def _below(parts: Mapping[str, Tensor], start: str) -> dict[str, Tensor]:
    return {
        name.removeprefix(start): part for name, part in parts.items() if name.startswith(start)
    }


def _remember(optimizer: Optimizer, memory: Mapping[str, Tensor]) -> None:
    parameters = [p for group in optimizer.param_groups for p in group["params"]]
    state: dict[int, dict[str, Tensor]] = {}
    for name, part in memory.items():
        index, what = name.split("/")
        parameter = parameters[int(index)]
        if part.ndim:  # laid out as the parameter is, or sums would be taken in another order
            part = torch.empty_like(parameter).copy_(part.reshape(parameter.shape))
        state.setdefault(int(index), {})[what] = part
    optimizer.load_state_dict({**optimizer.state_dict(), "state": state})
