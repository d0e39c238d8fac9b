"""An exported model file, opened, checked against its card and asked."""

from __future__ import annotations

import re
import shlex
import struct
from dataclasses import dataclass
from importlib import import_module, metadata
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from weedset.digests import bytes_digest
from weedset.errors import MissingPartError, ModelError, why_unreadable
from weedset.fields import require_file
from weedset.modelcard import CARD_KEY, ModelCard, card_from_json
from weedset.preprocess import model_input

#: Tiles per run of the net: more only cost memory, fewer cost time.
_BATCH = 16

#: Dies with an illegal instruction on Cortex-A53 and Cortex-A72, at the first run.
_BROKEN_ONNXRUNTIME = "1.21.0"

_MAX_BYTES = 500_000_000
_ONLY_ERRORS = 3


@dataclass(frozen=True, eq=False)
class BoardModel:
    """A model ready to be asked; made by `open_model`."""

    card: ModelCard
    digest: str
    _session: Any
    _input_name: str
    threads: int = 1

    def probabilities(self, tiles: NDArray[np.uint8]) -> NDArray[np.float32]:
        """Return the probability of each class in each tile, (n, classes).

        `tiles` is (n, input_px, input_px, 3), RGB.
        """
        answers = np.empty((len(tiles), len(self.card.classes)), np.float32)
        for start in range(0, len(tiles), _BATCH):
            batch = model_input(tiles[start : start + _BATCH], self.card.normalisation)
            (answers[start : start + _BATCH],) = self._session.run(None, {self._input_name: batch})
        return answers


def open_model(path: Path, threads: int = 1) -> BoardModel:
    """Open a model file and check it against its card; runs it once on grey tiles.

    Raises ModelError, naming file and field, for what is absent, no ONNX, without a card,
    or of another shape than its card says; MissingPartError where this computer or its
    onnxruntime cannot run models.
    """
    runtime = _onnxruntime()
    data = _read(path)
    session = _session(runtime, data, path, threads)
    try:
        properties = session.get_modelmeta().custom_metadata_map
    except UnicodeDecodeError as exc:
        raise ModelError("holds a card that is not UTF-8 text", where=str(path)) from exc
    if CARD_KEY not in properties:
        fix = "use a file that `weedset export` wrote: only the card tells what the outputs mean"
        raise ModelError("is a model file without a card", where=str(path), fix=fix)
    card = card_from_json(properties[CARD_KEY], str(path))
    input_name = _check_ports(session, card, path)
    model = BoardModel(card, bytes_digest(data), session, input_name, threads)
    _try_out(model, path)
    return model


def _onnxruntime() -> Any:
    """Import onnxruntime, unless that would end in a crash that explains nothing."""
    if struct.calcsize("P") < 8:
        raise MissingPartError(
            "this is a 32-bit Python, for which there is no onnxruntime",
            fix="install the 64-bit system of the board and a 64-bit Python",
        )
    try:
        version = metadata.version("onnxruntime")
    except metadata.PackageNotFoundError as exc:
        fix = "pip install onnxruntime"
        raise MissingPartError("onnxruntime is not installed", fix=fix) from exc
    if version == _BROKEN_ONNXRUNTIME:
        raise MissingPartError(
            f"onnxruntime {version} dies with an illegal instruction on common 64-bit boards",
            fix=f"pip install 'onnxruntime!={_BROKEN_ONNXRUNTIME}'",
        )
    return import_module("onnxruntime")


def _read(path: Path) -> bytes:
    """Read the file once, so that what runs is what the digest names."""
    try:
        require_file(path)
        if path.stat().st_size > _MAX_BYTES:
            raise ModelError("is larger than any model for a board", where=str(path))
        return path.read_bytes()
    except FileNotFoundError as exc:
        raise ModelError("there is no such file", where=str(path)) from exc
    except OSError as exc:
        export = f"weedset export {shlex.quote(str(path))} --out small.onnx"
        folder = isinstance(exc, IsADirectoryError)
        fix = f"name a model file; of a run's folder `{export}` makes one" if folder else ""
        raise ModelError(why_unreadable(exc), where=str(path), fix=fix) from exc


def _session(runtime: Any, data: bytes, path: Path, threads: int) -> Any:
    options = runtime.SessionOptions()
    options.intra_op_num_threads = threads
    options.inter_op_num_threads = 1
    options.execution_mode = runtime.ExecutionMode.ORT_SEQUENTIAL
    options.log_severity_level = _ONLY_ERRORS
    if threads == 1:
        options.add_session_config_entry("session.intra_op.allow_spinning", "0")
    try:
        return runtime.InferenceSession(data, options, providers=["CPUExecutionProvider"])
    except Exception as exc:  # the runtime's exceptions have no common base class of their own
        where, words = str(path), _line(exc)
        if not data or any(said in words.lower() for said in ("protobuf", "modelproto")):
            fix = "use a file that `weedset export` wrote, and copy it anew if this was one"
            raise ModelError(
                "is not an ONNX model, or a damaged one", where=where, fix=fix
            ) from exc
        raise ModelError(f"is not an ONNX model that can run: {words}", where=where) from exc


def _check_ports(session: Any, card: ModelCard, path: Path) -> str:
    """Compare inputs and outputs with the card; return the name of the input."""
    inputs, outputs = session.get_inputs(), session.get_outputs()
    if len(inputs) != 1 or len(outputs) != 1:
        raise ModelError(
            f"has {len(inputs)} inputs and {len(outputs)} outputs, not one of each", where=str(path)
        )
    shape, wanted = list(inputs[0].shape), [3, card.input_px, card.input_px]
    if inputs[0].type != "tensor(float)" or len(shape) != 4 or shape[1:] != wanted:
        raise ModelError(
            f"takes {inputs[0].type} of shape {shape}, but its card says float tiles (n, 3, "
            f"{card.input_px}, {card.input_px})",
            where=f"{path}: input {inputs[0].name!r} and card: input_px",
        )
    if isinstance(shape[0], int):
        raise ModelError(
            f"takes exactly {shape[0]} tiles at a time, not any number",
            where=f"{path}: input {inputs[0].name!r}",
            fix="export it with a free batch size",
        )
    return str(inputs[0].name)


def _try_out(model: BoardModel, path: Path) -> None:
    """Run once: shapes can be left open in the file, and then only running tells."""
    side = model.card.input_px
    grey = np.full((2, side, side, 3), 127, np.uint8)
    batch = model_input(grey, model.card.normalisation)
    try:
        (answer,) = model._session.run(None, {model._input_name: batch})
    except Exception as exc:  # as in _session
        raise ModelError(f"cannot be run: {_line(exc)}", where=str(path)) from exc
    wanted = (2, len(model.card.classes))
    if np.shape(answer) != wanted:
        raise ModelError(
            f"names {wanted[1]} species, but for 2 tiles the model gives an output of shape "
            f"{np.shape(answer)}, not {wanted}",
            where=f"{path}: card: classes",
        )


def _line(exc: Exception) -> str:
    """Return the runtime's words on one line, without the numbers that it puts before them."""
    return " ".join(re.sub(r"^\[\w+\] : \d+ : ", "", str(exc)).split())[:200]
