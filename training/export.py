"""From a training run to the model file for the board: int8 ONNX with its card inside."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import onnx
import torch
from numpy.typing import NDArray
from torch import nn

from training.calibration import fit_temperature, tempered
from training.datasets import TileDataset
from training.quantize import (
    INPUT_NAME,
    OUTPUT_NAME,
    Agreement,
    agreement,
    fold_temperature,
    quantize,
    run_model,
)
from training.rounding import rounded
from training.runs import Run, load_model, read_run
from training.sources import Source
from training.thresholds import at_temperature, class_cards
from weedset.digests import require_writable, write_whole
from weedset.errors import CheckNotPassedError, ModelError, TrainingError
from weedset.modelcard import CARD_KEY, ModelCard, card_to_json
from weedset.preprocess import model_input
from weedset.records import ANY_PLANT
from weedset.talk import say

#: What int8 may cost on validation tiles: choices of this project, no source.
LEAST_AGREEMENT = 0.97
MOST_MEAN_DIFFERENCE = 0.02

_CALIBRATION_TILES = 200

#: Tiles that the float model takes at once.
_AT_ONCE = 256


@dataclass(frozen=True, slots=True)
class Exported:
    """A model file that was written, its card, and how it agrees with the float model."""

    path: Path
    card: ModelCard
    agreement: Agreement


def export_model(run_dir: Path, source: Source, out: Path) -> Exported:
    """Write the model file of a run, whole or not at all.

    On the validation tiles the int8 model gets its temperature, which is folded into its last
    layer, and then the thresholds of its card; there it is compared with the float model at the
    same temperature, both through onnxruntime. Those of an adapted run are no laxer than the
    run's own.

    Raises ModelError where the run or `out` cannot be used, TrainingError where the
    source lacks the run's tiles, CheckNotPassedError where int8 costs too much.
    """
    run = read_run(run_dir)
    require_writable(out, ModelError)
    model = load_model(run_dir, run)
    calibration, _ = _tiles(source, run.train, run, most=_CALIBRATION_TILES)
    validation, targets = _tiles(source, run.validation, run)
    with TemporaryDirectory() as folder:
        float_path, int8_path = Path(folder) / "float.onnx", Path(folder) / "int8.onnx"
        write_float_model(model, run.card.input_px, float_path)
        reference = run_model(float_path, validation)
        write_float_model(
            rounded(model, torch.from_numpy(calibration)), run.card.input_px, float_path
        )
        quantize(float_path, int8_path, calibration)
        temperature = fit_temperature(targets, run_model(int8_path, validation))
        fold_temperature(int8_path, temperature)
        found = run_model(int8_path, validation)
        kept = [at_temperature(item, temperature) for item in run.card.classes if run.adapted]
        classes = class_cards(run.card.codes, targets, found, promised=kept)
        present_at = np.array([item.present_at for item in classes], np.float32)
        agreed = agreement(tempered(reference, temperature), found, present_at)
        _check(agreed, str(run_dir))
        card = replace(run.card, classes=classes, temperature=temperature)
        write_with_card(onnx.load(int8_path), card, out)
    say(f"{out} is written, {out.stat().st_size / 1000:.0f} kB. Its int8 model")
    for words in _in_words(agreed):
        say(f"  {words};")
    say(f"  its scores are divided by {temperature:.2f}, so that probabilities mean what they say.")
    never = [item.code for item in classes if item.treat_at is None and item.code != ANY_PLANT]
    if never:
        say(f"It never treats {', '.join(never)}: labels did not show from where on that is safe.")
    return Exported(out, card, agreed)


def require_agreement(
    model_path: Path, card: ModelCard, run_dir: Path, source: Source
) -> Agreement:
    """Compare a model file with the float model of its run, on the run's validation tiles.

    `card` is that of the file, at whose temperature the float model is asked. Raises as
    `export_model` does, CheckNotPassedError where the file strays too far.
    """
    run = read_run(run_dir)
    validation, _ = _tiles(source, run.validation, run)
    model = load_model(run_dir, run)
    with torch.inference_mode():
        starts = range(0, len(validation), _AT_ONCE)
        parts = [torch.from_numpy(validation[start : start + _AT_ONCE]) for start in starts]
        reference = torch.cat([model(part).sigmoid() for part in parts]).numpy()
    present_at = np.array([item.present_at for item in card.classes], np.float32)
    reference = tempered(reference, card.temperature)
    agreed = agreement(reference, run_model(model_path, validation), present_at)
    _check(agreed, str(model_path))
    return agreed


def write_float_model(model: nn.Module, input_px: int, path: Path) -> None:
    """Write a float ONNX file that takes any number of tiles and gives probabilities."""
    # Two tiles, since the exporter would take a batch of one for a batch that is always one.
    example = torch.zeros(2, 3, input_px, input_px)
    torch.onnx.export(
        nn.Sequential(model, nn.Sigmoid()).eval(),
        (example,),
        path,
        input_names=[INPUT_NAME],
        output_names=[OUTPUT_NAME],
        dynamic_shapes=({0: torch.export.Dim("n")},),
        dynamo=True,
        external_data=False,
        verbose=False,
    )


def _tiles(
    source: Source, photos: Sequence[str], run: Run, most: int | None = None
) -> tuple[NDArray[np.float32], NDArray[np.int8]]:
    """Return model input and targets of the tiles of `photos`, `most` of them at even steps."""
    wanted = set(photos)
    chosen = [labelled for labelled in source.tiles if labelled.tile.photo_digest in wanted]
    if {labelled.tile.photo_digest for labelled in chosen} != wanted:
        raise TrainingError(
            "lacks labelled photos that the run learned from",
            where=str(source.where),
            fix="name the workspace, or the edition, on which the run was trained",
        )
    if most is not None and len(chosen) > most:
        places = np.linspace(0, len(chosen) - 1, most).astype(int)
        chosen = [chosen[place] for place in places]
    card = run.card
    dataset = TileDataset(chosen, card.codes, source.archive_of, card.input_px)
    pixels = np.stack([dataset.pixels(index) for index in range(len(dataset))])
    return model_input(pixels, card.normalisation), dataset.targets


def _check(agreed: Agreement, where: str) -> None:
    if agreed.share < LEAST_AGREEMENT or agreed.mean_difference > MOST_MEAN_DIFFERENCE:
        raise CheckNotPassedError(
            f"the int8 model strays from the float one: {', '.join(_in_words(agreed))}; at least "
            f"{LEAST_AGREEMENT:.0%} and at most {MOST_MEAN_DIFFERENCE:g} are asked for",
            where=where,
            fix="train longer, or on more tiles: a model that is unsure strays most",
        )


def _in_words(agreed: Agreement) -> tuple[str, str]:
    return (
        f"says the same as the float model in {agreed.share:.2%} of all cases",
        f"gives probabilities that differ by {agreed.mean_difference:.4f} on average, "
        f"{agreed.largest_difference:.3f} at most",
    )


def write_with_card(model: onnx.ModelProto, card: ModelCard, out: Path) -> None:
    """Write a model file with its card, whole or not at all. Raises ModelError."""
    onnx.helper.set_model_props(model, {CARD_KEY: card_to_json(card)})
    onnx.checker.check_model(model)
    try:
        write_whole(out, model.SerializeToString())
    except OSError as exc:
        raise ModelError(f"cannot be written ({exc.strerror})", where=str(out)) from exc
