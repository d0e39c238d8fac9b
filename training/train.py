"""Train a model on labelled tiles: one script to read from top to bottom."""

from __future__ import annotations

import json
import os
from collections.abc import Sequence
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path

# Threads that spin while they wait made training 5 times slower where other programs
# wanted the two cores as well. OpenMP reads this once, when torch is first imported.
os.environ["OMP_WAIT_POLICY"] = os.environ.get("OMP_WAIT_POLICY", "PASSIVE")

import numpy as np
import torch
from numpy.typing import NDArray

from training.augment import Augmenter
from training.backbones import NORMALISATION, build_backbone, multiply_adds
from training.checkpoints import Checkpoint
from training.classes import choose_classes
from training.datasets import TileDataset, ordered_loader
from training.distillation import open_teacher, unlabelled_tiles
from training.distributed import joined_world, usual_workers
from training.loop import fit, predict, presence_weights, take_back_weights
from training.metrics import average_precision
from training.progress import epochs_told
from training.recipe import Recipe
from training.runs import Run, make_room, require_free, write_run
from training.sources import (
    Source,
    batches_of,
    held_out_of,
    licences_of,
    photos_of,
    sites_of,
    split_of,
)
from training.thresholds import class_cards
from weedset import __version__
from weedset.modelcard import ClassCard, ModelCard
from weedset.records import ANY_PLANT
from weedset.splits import Split
from weedset.talk import counted, say

#: So many sites are named: a list of all is not read.
_MOST_SITES = 4


def train(
    recipe: Recipe,
    source: Source,
    out_dir: Path,
    held_out: Sequence[str] = (),
    *,
    teacher_dir: Path | None = None,
    workers: int | None = None,
    save_every_s: float = 60,
) -> Run:
    """Train on the labelled tiles of a workspace or an edition; write the run to `out_dir`.

    `held_out` names sites or photos to judge by, instead of those the split chooses; an
    edition has its split. `teacher_dir` is the run that a student learns from. `workers`
    processes prepare tiles beside the one that learns: left to itself, none beside a
    processor and all cores beside a graphics card. A run that was stopped goes on from its
    checkpoint in `out_dir`.

    Raises TrainingError where the labels do not suffice or training fails, SettingsError
    where `out_dir` is of another run, and whatever reading the store, the tiles or the
    teacher, or writing the run, raises.
    """
    with joined_world() as world:
        require_free(out_dir)
        split = split_of(source, held_out)
        _tell_split(split)
        teacher = open_teacher(teacher_dir, recipe, source, split, world.device)
        classes = teacher.classes if teacher else choose_classes(split.train, recipe.least_examples)
        extra = unlabelled_tiles(source, split, recipe) if teacher else ()
        if world.leads:
            make_room(out_dir)

        learning = TileDataset(
            (*split.train, *extra),
            classes,
            source.archive_of,
            recipe.input_px,
            Augmenter(recipe.seed),
        )
        learning.decode_all(world)
        tuning = TileDataset(split.validation, classes, source.archive_of, recipe.input_px)

        torch.manual_seed(recipe.seed)
        model = build_backbone(
            recipe.backbone, len(classes), dropout=recipe.dropout, pretrained=True
        )
        weights = presence_weights(learning.targets, recipe.most_pos_weight)
        told = {
            "recipe": json.dumps(asdict(recipe)),
            "labels": source.digest,
            "held-out photos": " ".join(photos_of(split.test)),
            "teacher": teacher.digest if teacher else "",
        }
        checkpoint = Checkpoint(out_dir, told, save_every_s)
        workers = usual_workers(world) if workers is None else workers
        epochs = []
        with epochs_told(recipe.epochs) as done:
            for epoch in fit(model, learning, recipe, weights, world, checkpoint, teacher, workers):
                epochs.append(epoch)
                if len(epochs) > checkpoint.epochs_before:
                    done(len(epochs), epoch)
        take_back_weights(model, weights)

        found = predict(model, ordered_loader(tuning, recipe.batch_size, workers), world.device)
        cards = class_cards(classes, tuning.targets, found)
        _tell_scores(cards, tuning.targets, found)

        run = Run(
            recipe=recipe,
            card=_card(recipe, source, split, cards),
            train=photos_of(split.train),
            validation=photos_of(split.validation),
            test=photos_of(split.test),
            epochs=tuple(epochs),
            teacher=teacher.digest if teacher else None,
        )
        if world.leads:
            write_run(out_dir, run, model)
            checkpoint.remove()
            say(f"The run is in {out_dir}. `weedset export` makes a model file of it.")
        return run


def _card(
    recipe: Recipe, source: Source, split: Split, classes: tuple[ClassCard, ...]
) -> ModelCard:
    learned = (*split.train, *split.validation)
    gsds = [labelled.tile.gsd_mm_per_px for labelled in learned]
    used = batches_of(source, learned)
    return ModelCard(
        name=recipe.name,
        made_with=f"weedset {__version__}",
        made_on=datetime.now(UTC).date().isoformat(),
        classes=classes,
        input_px=recipe.input_px,
        normalisation=NORMALISATION,
        cell_mm=source.cell_mm,
        gsd_min_mm_per_px=min(gsds),
        gsd_max_mm_per_px=max(gsds),
        edition=source.name,
        edition_digest=source.digest,
        split=split.unit,
        held_out=held_out_of(split),
        licence=" AND ".join(sorted(licences_of(used))),
        givers=tuple(sorted({batch.giver for batch in used if batch.giver})),
        mmac=round(multiply_adds(recipe.backbone, len(classes), recipe.input_px) / 1e6, 1),
    )


def _tell_split(split: Split) -> None:
    for purpose, part in zip(("learning", "thresholds", "judging"), split.parts, strict=True):
        sites = sites_of(part)
        named = ", ".join(sites[:_MOST_SITES]) + (", ..." if len(sites) > _MOST_SITES else "")
        say(
            f"for {purpose}: {counted(len(part), 'tile')} of "
            f"{counted(len(photos_of(part)), 'photo')} of {counted(len(sites), 'site')} ({named})"
        )
    shown = [{code for tile in part for code in tile.statement.present} for part in split.parts]
    for code in sorted((shown[1] | shown[2]) - shown[0]):
        say(f"{code} is left out: only tiles that are held out show it, so it cannot be learned.")
    if not split.test:
        say("NOTE: no site is held out for judging, so nothing can tell how good the model is.")
    if split.unit == "photo":
        say(
            "NOTE: with fewer than three sites the split is by photo. Photos of one garden are "
            "alike, so every score FLATTERS the model: in another garden, or another spring, "
            "it will do worse. Only labels from at least three sites can tell how much."
        )


def _tell_scores(
    cards: Sequence[ClassCard], targets: NDArray[np.int8], found: NDArray[np.float32]
) -> None:
    say("on the tiles for thresholds; and the probability from which on a class is")
    say(f"{'class':<8} {'shown in':>8}  avg. precision  in doubt  present  treated")
    for i, card in enumerate(cards):
        present, score = (targets[:, i] == 1).sum(), average_precision(targets[:, i], found[:, i])
        treat = "never" if card.treat_at is None else f"{card.treat_at:.2f}"
        say(
            f"{card.code:<8} {present:>8}  {'-' if score is None else f'{score:.3f}':>14}  "
            f"{card.doubt_at:>8.2f}  {card.present_at:>7.2f}  "
            + ("(any plant at all)" if card.code == ANY_PLANT else f"{treat:>7}")
        )
    _tell_never(cards, targets)


def _tell_never(cards: Sequence[ClassCard], targets: NDArray[np.int8]) -> None:
    shown = (targets == 1).any(0).tolist()
    for is_shown, why in (
        (False, "no tile for thresholds shows it"),
        (True, "too few of its calls there were right"),
    ):
        never = [
            card.code
            for card, seen in zip(cards, shown, strict=True)
            if card.treat_at is None and seen is is_shown and card.code != ANY_PLANT
        ]
        if never:
            say(f"never treated, whatever a policy says, since {why}: {', '.join(never)}")
