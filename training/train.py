"""Train a model on a workspace: one script to read from top to bottom."""

from __future__ import annotations

import json
import os
from collections.abc import Sequence
from dataclasses import asdict
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

# Threads that spin while they wait made training 5 times slower where other programs
# wanted the two cores as well. OpenMP reads this once, when torch is first imported.
os.environ["OMP_WAIT_POLICY"] = os.environ.get("OMP_WAIT_POLICY", "PASSIVE")

import numpy as np
import torch
from numpy.typing import NDArray

from training.augment import Augmenter
from training.backbones import NORMALISATION, build_backbone
from training.checkpoints import Checkpoint
from training.classes import choose_classes
from training.datasets import TileDataset, ordered_loader
from training.distillation import open_teacher, unlabelled_tiles
from training.distributed import joined_world
from training.loop import fit, predict, presence_weights, take_back_weights
from training.metrics import average_precision, class_card
from training.progress import epochs_told
from training.recipe import Recipe
from training.runs import Run, edition_digest, finished, write_run
from weedset import __version__
from weedset.errors import SettingsError, TrainingError
from weedset.modelcard import ClassCard, ModelCard
from weedset.records import Batch, LabelledTile, Verdict
from weedset.settings import Workspace, tile_archive
from weedset.splits import Split, split_tiles
from weedset.store import open_store
from weedset.talk import counted, say

#: SPDX's word for a licence that nobody stated.
_NO_LICENCE = "NOASSERTION"


def train(
    recipe: Recipe,
    workspace: Workspace,
    out_dir: Path,
    held_out: Sequence[str] = (),
    *,
    teacher_dir: Path | None = None,
    workers: int | None = None,
    save_every_s: float = 60,
) -> Run:
    """Train on the labelled tiles of a workspace and write the run to `out_dir`.

    `held_out` names sites or photos to judge by, instead of those the split chooses;
    `teacher_dir` is the run that a student learns from. `workers` processes prepare tiles
    beside the one that learns; as many as there are cores for where a graphics card learns.
    A run that was stopped goes on from its checkpoint in `out_dir`.

    Raises TrainingError where the labels do not suffice or training fails, SettingsError
    where `out_dir` is of another run, and whatever reading the store, the tiles or the
    teacher, or writing the run, raises.
    """
    with joined_world() as world:
        _require_free(out_dir)
        device = world.device
        torch.backends.cudnn.benchmark = True

        with open_store(workspace) as store:
            labels, batches = store.labelled_tiles(), store.batches()
        tiles = [tile for tile in labels if tile.statement.verdict is not Verdict.CANNOT_TELL]
        if not tiles:
            fix = (
                "label some tiles first: `weedset label`, or `weedset import` for masks and tables"
            )
            raise TrainingError("has no labels to learn from", where=str(workspace.root), fix=fix)

        split = split_tiles(tiles, held_out)
        _tell_split(split)
        teacher = open_teacher(teacher_dir, recipe, split, device)
        classes = teacher.classes if teacher else choose_classes(split.train, recipe.least_examples)
        extra = unlabelled_tiles(workspace, split, recipe) if teacher else []

        archive_of = partial(tile_archive, workspace)
        learning = TileDataset(
            (*split.train, *extra), classes, archive_of, recipe.input_px, Augmenter(recipe.seed)
        )
        learning.decode_all(world)
        tuning = TileDataset(split.validation, classes, archive_of, recipe.input_px)
        if workers is None:
            workers = (os.cpu_count() or 1) // world.here if device.type == "cuda" else 0

        torch.manual_seed(recipe.seed)
        model = build_backbone(
            recipe.backbone, len(classes), dropout=recipe.dropout, pretrained=True
        )
        weights = presence_weights(learning.targets, recipe.most_pos_weight)
        digest = edition_digest(labels)
        told = {
            "recipe": json.dumps(asdict(recipe)),
            "labels": digest,
            "held-out photos": "\n".join(_photos(split.test)),
            "teacher": teacher.digest if teacher else "",
        }
        checkpoint = Checkpoint(out_dir, told, save_every_s)
        epochs = []
        with epochs_told(recipe.epochs) as done:
            for epoch in fit(model, learning, recipe, weights, world, checkpoint, teacher, workers):
                epochs.append(epoch)
                done(epoch)
        take_back_weights(model, weights)

        found = predict(model, ordered_loader(tuning, recipe.batch_size, workers), device)
        cards = tuple(
            class_card(code, tuning.targets[:, i], found[:, i]) for i, code in enumerate(classes)
        )
        _tell_scores(cards, tuning.targets, found)

        run = Run(
            recipe=recipe,
            card=_card(recipe, workspace, digest, split, cards, batches),
            train=_photos(split.train),
            validation=_photos(split.validation),
            test=_photos(split.test),
            epochs=tuple(epochs),
            teacher=told["teacher"],
        )
        if world.leads:
            write_run(out_dir, run, model)
            checkpoint.remove()
            say(f"The run is in {out_dir}. `weedset export` makes a model file of it.")
        return run


def _require_free(folder: Path) -> None:
    if finished(folder):
        fix = "name another folder with --out, or remove this one if it is not wanted"
        raise SettingsError("holds a finished run already", where=str(folder), fix=fix)


def _card(
    recipe: Recipe,
    workspace: Workspace,
    digest: str,
    split: Split,
    classes: tuple[ClassCard, ...],
    batches: Sequence[Batch],
) -> ModelCard:
    learned = (*split.train, *split.validation)
    gsds = [labelled.tile.gsd_mm_per_px for labelled in learned]
    ids = {labelled.batch_id for labelled in learned}
    used = [batch for batch in batches if batch.id in ids]
    return ModelCard(
        name=recipe.name,
        made_with=f"weedset {__version__}",
        made_on=datetime.now(UTC).date().isoformat(),
        classes=classes,
        input_px=recipe.input_px,
        normalisation=NORMALISATION,
        cell_mm=workspace.cell_mm,
        gsd_min_mm_per_px=min(gsds),
        gsd_max_mm_per_px=max(gsds),
        edition=f"workspace {workspace.root.resolve().name}",
        edition_digest=digest,
        split=split.unit,
        held_out=_sites(split.test) if split.unit == "site" else _photos(split.test),
        licence=" AND ".join(sorted({batch.licence or _NO_LICENCE for batch in used})),
        givers=tuple(sorted({batch.giver for batch in used if batch.giver})),
    )


def _photos(tiles: Sequence[LabelledTile]) -> tuple[str, ...]:
    return tuple(sorted({labelled.tile.photo_digest for labelled in tiles}))


def _sites(tiles: Sequence[LabelledTile]) -> tuple[str, ...]:
    return tuple(sorted({labelled.site for labelled in tiles}))


def _tell_split(split: Split) -> None:
    parts = (("learning", split.train), ("thresholds", split.validation), ("judging", split.test))
    for purpose, part in parts:
        say(
            f"for {purpose}: {counted(len(part), 'tile')} of "
            f"{counted(len(_photos(part)), 'photo')} of {counted(len(_sites(part)), 'site')}"
        )
    if split.unit == "photo":
        say(
            "NOTE: with fewer than three sites the split is by photo. Photos of one garden are "
            "alike, so every score FLATTERS the model: in another garden, or another spring, "
            "it will do worse. Only labels from at least three sites can tell how much."
        )


def _tell_scores(
    cards: Sequence[ClassCard], targets: NDArray[np.int8], found: NDArray[np.float32]
) -> None:
    for i, card in enumerate(cards):
        score = average_precision(targets[:, i], found[:, i])
        present, known = int((targets[:, i] == 1).sum()), int((targets[:, i] >= 0).sum())
        if score is None:
            say(f"{card.code}: no validation tile shows it, so it is never treated.")
            continue
        treat = "never treat" if card.treat_at is None else f"treat at {card.treat_at:.2f}"
        say(
            f"{card.code}: average precision {score:.3f} ({present} of {known} validation tiles "
            f"show it); {treat}, present at {card.present_at:.2f}, doubt at {card.doubt_at:.2f}"
        )
