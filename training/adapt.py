"""Fit a model to one garden: its last layer learns from a few hundred labelled tiles."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor, nn
from torch.nn.functional import binary_cross_entropy_with_logits

from training.augment import Augmenter
from training.backbones import build_backbone
from training.classes import species_with
from training.datasets import Order, TileDataset, ordered_loader, orders_loader
from training.figures import rounded_down, rounded_up
from training.head import features, head_of, refitted, widened
from training.paired import LEAST_UNITS, Gain, paired_gain
from training.runs import Run, load_model, make_room, read_run, require_free, write_run
from training.sources import Source, batches_of, held_out_of, licences_of, photos_of, split_of
from training.thresholds import class_cards
from weedset import __version__
from weedset.digests import write_whole
from weedset.errors import TrainingError
from weedset.modelcard import ClassCard, ModelCard
from weedset.records import ANY_PLANT, LabelledTile
from weedset.splits import Split
from weedset.talk import counted, say

#: Each tile is learned from as it is and changed at random so many times.
_CHANGED_COPIES = 4

#: How firmly the weights may be held, of which the validation photos choose one.
_STRENGTHS = (0.001, 0.01, 0.1, 1.0)

#: A species that the model does not know becomes a class with so many tiles of each kind.
_LEAST_EXAMPLES = 20

_BATCH = 64


@dataclass(frozen=True, slots=True)
class Adapted:
    """A run that was adapted: what it gains on photos that neither model has learned from.

    `new_species` are those that the model did not know; `gain` counts only the others.
    """

    run: Run
    gain: Gain | None
    strength: float
    new_species: tuple[str, ...]


def adapt(run_dir: Path, source: Source, out_dir: Path, held_out: Sequence[str] = ()) -> Adapted:
    """Adapt the model of a run to a garden, write the new run, and say whether it is better.

    Photos are split as for training; `held_out` names those to judge by instead.

    Raises TrainingError where model and garden do not go together or labels do not suffice,
    SettingsError where `out_dir` holds a run, and whatever reading either raises.
    """
    require_free(out_dir)
    old = read_run(run_dir)
    model = load_model(run_dir, old)
    _require_fit(old, source, str(run_dir))
    split = split_of(source, held_out)
    make_room(out_dir)
    new_species = species_with(split.train, _LEAST_EXAMPLES, but=old.card.codes)
    codes = (*old.card.codes, *new_species)
    say(
        f"for learning {counted(len(split.train), 'tile')}, for thresholds "
        f"{len(split.validation)}, for judging {len(split.test)}"
        + (f"; new to the model: {', '.join(new_species)}" if new_species else "")
    )

    given, targets = _learned_features(model, split.train, codes, source, old)
    tuning, judging = (
        features(model, ordered_loader(_dataset(part, codes, source, old), _BATCH, 0))
        for part in (split.validation, split.test)
    )
    shared = len(old.card.codes)
    start = widened(head_of(model)[1], targets)
    heads = {key: refitted(start, given, targets, shared, key) for key in _STRENGTHS}
    strength = min(heads, key=lambda key: _loss(heads[key], *tuning))
    head = heads[strength]

    before, after = _probabilities(start, judging[0]), _probabilities(head, judging[0])
    truth = judging[1].numpy()
    unit = [tile.site if split.unit == "site" else tile.tile.photo_digest for tile in split.test]
    gain = paired_gain(unit, truth[:, :shared], before[:, :shared], after[:, :shared])

    found = _probabilities(head, tuning[0])
    cards = class_cards(codes, tuning[1].numpy(), found, old.card.classes)
    run = replace(
        old,
        recipe=replace(old.recipe, name=f"{old.recipe.name}-adapted"),
        card=_card(old.card, source, split, cards),
        train=photos_of(split.train),
        validation=photos_of(split.validation),
        test=photos_of(split.test),
        epochs=(),
        adapted=True,
    )
    write_run(out_dir, run, _with_head(model, head, old))
    note = {"from": old.card.name, "strength": strength, "gain": gain and asdict(gain)}
    write_whole(out_dir / "adaptation.json", json.dumps(note, indent=1) + "\n")
    _tell(gain, split.unit, run_dir, out_dir)
    _tell_never(old.card.classes, cards, len(split.validation), run_dir)
    return Adapted(run, gain, strength, new_species)


def _require_fit(old: Run, source: Source, where: str) -> None:
    if old.card.cell_mm != source.cell_mm:
        raise TrainingError(
            f"is for cells of {old.card.cell_mm:g} mm, the garden has {source.cell_mm:g} mm",
            where=where,
            fix="tile the photos in a workspace of the model's cell size",
        )
    learned = {*old.train, *old.validation}
    seen = [tile.photo_name for tile in source.tiles if tile.tile.photo_digest in learned]
    if seen:
        raise TrainingError(
            f"has learned from photos of this garden already, such as {seen[0]}",
            where=where,
            fix="adapt a model that has not, or adapt it to other photos",
        )


def _dataset(
    tiles: Sequence[LabelledTile], codes: Sequence[str], source: Source, old: Run
) -> TileDataset:
    augment = Augmenter(old.recipe.seed)
    return TileDataset(tiles, codes, source.archive_of, old.card.input_px, augment)


def _learned_features(
    model: nn.Module,
    tiles: Sequence[LabelledTile],
    codes: Sequence[str],
    source: Source,
    old: Run,
) -> tuple[Tensor, Tensor]:
    dataset = _dataset(tiles, codes, source, old)
    starts = range(0, len(dataset), _BATCH)
    parts = [np.arange(i, min(i + _BATCH, len(dataset))) for i in starts]
    orders = [Order(part, epoch) for epoch in (None, *range(_CHANGED_COPIES)) for part in parts]
    return features(model, orders_loader(dataset, orders))


def _loss(head: nn.Linear, given: Tensor, targets: Tensor) -> float:
    known = targets >= 0
    with torch.no_grad():
        scores = head(given)[known]
    return float(binary_cross_entropy_with_logits(scores, targets[known].double()))


def _probabilities(head: nn.Linear, given: Tensor) -> NDArray[np.float32]:
    with torch.no_grad():
        found: NDArray[np.float32] = head(given).sigmoid().float().numpy()
    return found


def _with_head(model: nn.Module, head: nn.Linear, old: Run) -> nn.Module:
    name, _ = head_of(model)
    wide = build_backbone(old.recipe.backbone, head.out_features)
    state = model.state_dict()
    state[f"{name}.weight"], state[f"{name}.bias"] = head.weight.float(), head.bias.float()
    wide.load_state_dict(state)
    return wide


def _card(
    old: ModelCard, source: Source, split: Split, classes: tuple[ClassCard, ...]
) -> ModelCard:
    learned = (*split.train, *split.validation)
    gsds = [tile.tile.gsd_mm_per_px for tile in learned]
    used = batches_of(source, learned)
    licences = {*old.licence.split(" AND "), *licences_of(used)}
    # What was promised of harm was promised of the old model's thresholds and probabilities.
    # The digest stays that of the model's edition, by which a withdrawal finds it.
    return replace(
        old,
        name=f"{old.name}-adapted",
        made_with=f"weedset {__version__}",
        made_on=datetime.now(UTC).date().isoformat(),
        classes=classes,
        gsd_min_mm_per_px=min(old.gsd_min_mm_per_px, *gsds),
        gsd_max_mm_per_px=max(old.gsd_max_mm_per_px, *gsds),
        edition=f"{old.edition}, adapted to {source.name}",
        split=split.unit,
        held_out=held_out_of(split),
        licence=" AND ".join(sorted(licences)),
        givers=tuple(sorted({*old.givers, *(batch.giver for batch in used if batch.giver)})),
        bound=None,
    )


def _tell(gain: Gain | None, unit: str, old: Path, new: Path) -> None:
    if gain is None:
        say(f"Nothing is known of the held-out photos. Keep using {old}.")
        return
    say(
        f"error of probabilities on {counted(gain.units, unit)} held out: "
        f"{gain.old_error:.4f} before, {gain.new_error:.4f} now"
    )
    if gain.low is None or gain.high is None:
        say(
            f"Whether it is better cannot be told: that takes {LEAST_UNITS} {unit}s held out at "
            f"least (label more, or name more with --held-out). Keep using {old}."
        )
        return
    low, high = rounded_down(gain.low, 4), rounded_up(gain.high, 4)
    say(f"  the gain lies between {low:+.4f} and {high:+.4f} (95 % confidence)")
    if gain.verdict == "better":
        say(f"The adapted model is better in this garden. Use {new}:")
        say("`weedset export` makes a model file of it.")
    elif gain.verdict == "worse":
        say(f"The adapted model is WORSE in this garden. Keep using {old}.")
    else:
        needed = gain.units_needed
        about = f" If the gain is as it seems, about {needed} {unit}s would tell." if needed else ""
        say(f"Whether it is better cannot be told. Keep using {old}.{about}")


def _tell_never(
    before: Sequence[ClassCard], after: Sequence[ClassCard], tiles: int, old: Path
) -> None:
    """Say which species may be treated no more: nobody should wonder why a machine does nothing."""
    could = {card.code for card in before if card.treat_at is not None} - {ANY_PLANT}
    never = [card.code for card in after if card.treat_at is None and card.code in could]
    if never:
        say(
            f"NOTE: it never treats {', '.join(never)}, as {old} may: {counted(tiles, 'tile')} for "
            "thresholds did not show from where on that is safe. Label more."
        )
