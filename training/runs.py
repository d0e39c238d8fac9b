"""A finished training run on the disk: its weights, its card, and what it was made from.

model.safetensors   the weights of the float model
card.json           the card, with the thresholds of the float model
run.json            the recipe, the photos of each part of the split, loss and speed by epoch
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from pathlib import Path

from safetensors import SafetensorError
from safetensors.torch import load, save
from torch import nn

from training.backbones import build_backbone
from training.recipe import Recipe, recipe_from
from training.timing import Epoch, epochs_from
from weedset.digests import write_whole
from weedset.errors import ModelError, SettingsError
from weedset.fields import parse_json, read_text
from weedset.modelcard import ModelCard, card_from_json, card_to_json

_WEIGHTS, _CARD, _RUN = "model.safetensors", "card.json", "run.json"

#: The files of a run; whoever has them all can train on, or export again.
RUN_FILES = (_WEIGHTS, _CARD, _RUN)


@dataclass(frozen=True, slots=True)
class Run:
    """What a training run was told and what came of it; photos by digest.

    `teacher` is the digest of the weights that it learned from, if any. `adapted` says that
    the thresholds of its card are promised: those of its model file may be stricter alone.
    """

    recipe: Recipe
    card: ModelCard
    train: tuple[str, ...]
    validation: tuple[str, ...]
    test: tuple[str, ...]
    epochs: tuple[Epoch, ...]
    teacher: str | None = None
    adapted: bool = False

    @property
    def losses(self) -> tuple[float, ...]:
        """The mean loss of each epoch."""
        return tuple(epoch.loss for epoch in self.epochs)


def finished(folder: Path) -> bool:
    """Whether a folder holds a finished run."""
    return (folder / _RUN).exists()


def require_free(folder: Path) -> None:
    """Raise SettingsError where a folder holds a finished run already."""
    if finished(folder):
        fix = "name another folder with --out, or remove this one if it is not wanted"
        raise SettingsError("holds a finished run already", where=str(folder), fix=fix)


def make_room(folder: Path) -> None:
    """Make the folder of a run, so that nobody learns in vain; raises SettingsError."""
    probe = folder / ".writable"
    try:
        write_whole(probe, "")
        probe.unlink()
    except OSError as exc:
        raise _unwritable(folder, exc) from exc


def write_run(folder: Path, run: Run, model: nn.Module) -> None:
    """Write a run; run.json comes last, so that a folder that has it is complete.

    Raises SettingsError where the folder cannot be written.
    """
    record = {
        "recipe": asdict(run.recipe),
        "photos": {"train": run.train, "validation": run.validation, "test": run.test},
        "epochs": [asdict(epoch) for epoch in run.epochs],
        "teacher": run.teacher,
        "adapted": run.adapted,
    }
    weights = {name: value.cpu().contiguous() for name, value in model.state_dict().items()}
    try:
        (folder / _RUN).unlink(missing_ok=True)
        write_whole(folder / _WEIGHTS, save(weights))
        write_whole(folder / _CARD, card_to_json(run.card) + "\n")
        write_whole(folder / _RUN, json.dumps(record, indent=1) + "\n")
    except OSError as exc:
        raise _unwritable(folder, exc) from exc


def _unwritable(folder: Path, exc: OSError) -> SettingsError:
    fix = "name a folder that can be made and written, and see that there is room on the disk"
    what = f"is no folder that can be written ({exc.strerror})"
    return SettingsError(what, where=str(folder), fix=fix)


def read_run(folder: Path) -> Run:
    """Read a run. Raises ModelError where the folder holds none or it is damaged."""
    path = folder / _RUN
    if not path.is_file():
        fix = "give the folder that was the --out of `weedset train`; of a release, its folder run"
        if folder.is_dir() and any(folder.glob("checkpoint.*")):
            fix = "it is stopped or still at work: give the same `weedset train` command again"
        raise ModelError("holds no finished training run", where=str(folder), fix=fix)
    fields = parse_json(read_text(path, ModelError), str(path), ModelError)
    photos = fields.table("photos")
    card_path = folder / _CARD
    return Run(
        recipe=recipe_from(fields.table("recipe")),
        card=card_from_json(read_text(card_path, ModelError), str(card_path)),
        train=photos.texts("train"),
        validation=photos.texts("validation"),
        test=photos.texts("test"),
        epochs=epochs_from(fields),
        teacher=fields.text("teacher") if "teacher" in fields else None,
        adapted=fields.truth("adapted") if "adapted" in fields else False,
    )


def load_model(folder: Path, run: Run) -> nn.Module:
    """Return the trained float model. Raises ModelError where its weights do not fit."""
    path = folder / _WEIGHTS
    model = build_backbone(run.recipe.backbone, len(run.card.classes))
    try:
        model.load_state_dict(load(path.read_bytes()))
    except OSError as exc:
        raise ModelError(f"cannot be read ({exc.strerror})", where=str(path)) from exc
    except (SafetensorError, RuntimeError) as exc:
        what = "does not hold the weights that run.json speaks of"
        raise ModelError(what, where=str(path), fix="train again") from exc
    return model.eval()
