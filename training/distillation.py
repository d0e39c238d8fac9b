"""Learning from a trained net: the student is asked for the teacher's probabilities too.

After Hinton, Vinyals & Dean 2015, "Distilling the knowledge in a neural network", with one
binary target per class in place of the softmax, since a tile may show several species. The
teacher sees the very tile that the student sees, changed at random as it is (Beyer et al.
2022, "Knowledge distillation: a good teacher is patient and consistent"), and has an opinion
on every class of every tile, also where nobody looked.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import torch
from torch import Tensor, nn
from torch.nn.functional import binary_cross_entropy_with_logits

from training.recipe import Recipe
from training.runs import Run, load_model, read_run
from training.sources import Source, photos_of, sites_of
from weedset.digests import file_digest
from weedset.errors import TrainingError
from weedset.records import LabelledTile, Verdict
from weedset.splits import Split
from weedset.talk import counted, say


class Teacher:
    """A trained run that is asked, and does not learn."""

    def __init__(self, run: Run, model: nn.Module, digest: str) -> None:
        self.classes, self.digest = run.card.codes, digest
        self._model = model

    @torch.no_grad()
    def __call__(self, tiles: Tensor) -> Tensor:
        """Return its scores (n, classes) in float32."""
        scores: Tensor = self._model(tiles)
        return scores.float()


def open_teacher(
    folder: Path | None, recipe: Recipe, source: Source, split: Split, device: torch.device
) -> Teacher | None:
    """Open the run that the student of a recipe learns from; None where it has no teacher.

    Raises ModelError where there is no such run, TrainingError where recipe and teacher do
    not go together, or the teacher has learned from what the student is to be judged by.
    """
    if folder is None:
        if recipe.teacher_share:
            fix = "name a finished run with --teacher, or set teacher_share = 0 to learn without"
            raise TrainingError("is for a student and names no teacher", where=recipe.name, fix=fix)
        return None
    if not recipe.teacher_share:
        fix = "leave --teacher out, or set teacher_share above 0 in the recipe"
        raise TrainingError("does not listen to a teacher", where=recipe.name, fix=fix)
    run = read_run(folder)
    if run.card.input_px != recipe.input_px:
        raise TrainingError(
            f"takes tiles of {run.card.input_px} px, its student tiles of {recipe.input_px} px",
            where=str(folder),
            fix="train teacher and student with the same input_px",
        )
    if run.card.cell_mm != source.cell_mm:
        raise TrainingError(
            f"is for cells of {run.card.cell_mm:g} mm, the labels are of {source.cell_mm:g} mm",
            where=str(folder),
            fix="name a teacher that was trained on cells of this size",
        )
    tuned, judged = set(photos_of(split.validation)), set(photos_of(split.test))
    if (tuned | judged) & set(run.train) or judged & set(run.validation):
        raise TrainingError(
            "learned from photos by which its student is to be judged",
            where=str(folder),
            fix="train both on the same labels, with the same --held-out",
        )
    model = load_model(folder, run).to(device)
    return Teacher(run, model, file_digest(folder / "model.safetensors"))


def unlabelled_tiles(source: Source, split: Split, recipe: Recipe) -> list[LabelledTile]:
    """Return tiles of which no label tells anything, spread evenly over what there is.

    None of a site that is held out. Where the split is by photo, only those of photos that
    are learned from, and of other sites: neighbouring photos show the same ground.
    """
    sites = set(sites_of((*split.validation, *split.test)))
    photos = set(photos_of(split.train))
    mute = [item for item in source.tiles if item.statement.verdict is Verdict.CANNOT_TELL]
    free = [
        item
        for item in (*mute, *source.find_unlabelled())
        if item.site not in sites or item.tile.photo_digest in photos
    ]
    most = int(len(split.train) * recipe.unlabelled_per_labelled)
    if len(free) > most:
        free = [free[int(i)] for i in np.linspace(0, len(free) - 1, most)]
    if free:
        say(f"for learning from the teacher alone: {counted(len(free), 'unlabelled tile')}")
    return free


def soft_loss(scores: Tensor, asked: Tensor, temperature: float) -> Tensor:
    """Return the binary cross-entropy against the teacher's probabilities, times T squared.

    `scores` and `asked` (n, classes) are logits of student and teacher. A temperature above 1
    softens both; T squared keeps the size of the gradients (Hinton et al. 2015, section 2).
    """
    wanted = (asked / temperature).sigmoid()
    return binary_cross_entropy_with_logits(scores / temperature, wanted) * temperature**2
