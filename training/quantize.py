"""From a float ONNX file to an int8 one, and how far the two agree."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import onnx
import onnxruntime
from numpy.typing import NDArray
from onnxruntime.quantization import (
    CalibrationDataReader,
    QuantFormat,
    QuantType,
    quantize_static,
)
from onnxruntime.quantization.shape_inference import quant_pre_process

#: The names of a model's one input and one output.
INPUT_NAME, OUTPUT_NAME = "tiles", "probabilities"

#: The last layer and the sigmoid: in float they cost nothing, while 256 steps of a score
#: would lie up to 0.03 apart as probabilities.
_KEPT_FLOAT = ("Gemm", "MatMul", "Sigmoid")

_BATCH = 16
_ONLY_ERRORS = 3


@dataclass(frozen=True, slots=True)
class Agreement:
    """How the probabilities of two models differ over the same tiles.

    `share` is that of the calls (tile and class, present or not) that are the same.
    """

    largest_difference: float
    mean_difference: float
    share: float


def quantize(float_path: Path, int8_path: Path, inputs: NDArray[np.float32]) -> None:
    """Write the int8 counterpart of a float model, its ranges taken from `inputs`.

    Activations are unsigned; weights are signed, per channel, and keep to 7 bits
    (`reduce_range`): without that, processors that lack VNNI overflow and answer otherwise.
    """
    with TemporaryDirectory() as folder:
        fused = Path(folder) / "fused.onnx"
        quant_pre_process(str(float_path), str(fused), skip_symbolic_shape=True)
        nodes = onnx.load(fused).graph.node
        quantize_static(
            str(fused),
            str(int8_path),
            _Reader(inputs),
            quant_format=QuantFormat.QDQ,
            activation_type=QuantType.QUInt8,
            weight_type=QuantType.QInt8,
            per_channel=True,
            reduce_range=True,
            nodes_to_exclude=[node.name for node in nodes if node.op_type in _KEPT_FLOAT],
        )


def fold_temperature(path: Path, temperature: float) -> None:
    """Divide the scores of a model file by `temperature`, in the weights of its last layer."""
    model = onnx.load(path)
    made_by = {name: node for node in model.graph.node for name in node.output}
    last = made_by[made_by[OUTPUT_NAME].input[0]]
    if last.op_type != "Gemm":  # left in float by `quantize`, so its weights are as they were
        raise ValueError(f"the scores come out of {last.op_type}, not of the last layer")
    for item in model.graph.initializer:
        if item.name in last.input[1:]:
            scaled = onnx.numpy_helper.to_array(item) / np.float32(temperature)
            item.CopyFrom(onnx.numpy_helper.from_array(scaled.astype(np.float32), item.name))
    onnx.save(model, path)


def run_model(path: Path, inputs: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return the probabilities that a model file gives through onnxruntime, (n, classes)."""
    options = onnxruntime.SessionOptions()
    options.log_severity_level = _ONLY_ERRORS
    session = onnxruntime.InferenceSession(path, options, providers=["CPUExecutionProvider"])
    return np.concatenate(
        [
            session.run([OUTPUT_NAME], {INPUT_NAME: inputs[start : start + _BATCH]})[0]
            for start in range(0, len(inputs), _BATCH)
        ]
    )


def agreement(
    reference: NDArray[np.float32], other: NDArray[np.float32], present_at: NDArray[np.float32]
) -> Agreement:
    """Compare probabilities (n, classes), and the calls at `present_at` (classes,)."""
    difference = np.abs(reference - other)
    same = (reference >= present_at) == (other >= present_at)
    return Agreement(float(difference.max()), float(difference.mean()), float(same.mean()))


class _Reader(CalibrationDataReader):  # type: ignore[misc]  # onnxruntime has no types
    """Hands calibration tiles over in batches."""

    def __init__(self, inputs: NDArray[np.float32]) -> None:
        self._batches: Iterator[NDArray[np.float32]] = iter(
            [inputs[start : start + _BATCH] for start in range(0, len(inputs), _BATCH)]
        )

    def get_next(self) -> dict[str, NDArray[np.float32]] | None:
        batch = next(self._batches, None)
        return None if batch is None else {INPUT_NAME: batch}
