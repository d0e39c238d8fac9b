from __future__ import annotations

import json
import struct
from importlib import metadata
from pathlib import Path

import numpy as np
import pytest
from tiny_model import CARD, SAYS_COLOUR, other_card, write_model

from weedset.board.model import open_model
from weedset.digests import file_digest
from weedset.errors import MissingPartError, ModelError
from weedset.modelcard import CARD_KEY, card_to_json


def test_opened_model_knows_its_card_and_digest(tmp_path: Path) -> None:
    path = write_model(tmp_path / "m.onnx")
    model = open_model(path)
    assert model.card == CARD
    assert model.digest == file_digest(path)


@pytest.mark.parametrize("count", [0, 1, 15, 16, 17, 35])
def test_every_tile_gets_its_own_answer(tmp_path: Path, count: int) -> None:
    model = open_model(write_model(tmp_path / "m.onnx"))
    colours = np.random.default_rng(0).integers(0, 256, (count, 3))
    tiles = np.broadcast_to(colours[:, None, None], (count, 32, 32, 3)).astype(np.uint8)
    answers = model.probabilities(tiles)
    assert answers.shape == (count, 4)
    assert answers.dtype == np.float32
    np.testing.assert_allclose(answers[:, :3], colours / 255, atol=1e-5)


def test_threads_change_no_answer(tmp_path: Path) -> None:
    path = write_model(tmp_path / "m.onnx")
    tiles = np.random.default_rng(1).integers(0, 256, (20, 32, 32, 3), dtype=np.uint8)
    one, two = (open_model(path, threads).probabilities(tiles) for threads in (1, 2))
    np.testing.assert_array_equal(one, two)


def refused(path: Path) -> ModelError:
    with pytest.raises(ModelError) as caught:
        open_model(path)
    assert str(path) in str(caught.value)
    return caught.value


def test_no_such_file(tmp_path: Path) -> None:
    assert "no such file" in refused(tmp_path / "absent.onnx").what


def test_a_folder_is_no_model(tmp_path: Path) -> None:
    folder = refused(tmp_path)
    assert "is a folder" in folder.what
    assert f"`weedset export {tmp_path} --out" in folder.fix


@pytest.mark.parametrize("content", [b"", b"not a model", b"\x08\x07" * 50, bytes(1000)])
def test_not_an_onnx_file(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "m.onnx"
    path.write_bytes(content)
    error = refused(path)
    assert "not an ONNX model" in error.what
    # What the runtime says of its own insides helps nobody who took the wrong file.
    assert not any(word in error.what for word in ("ONNXRuntimeError", "protobuf"))


def test_cut_short(tmp_path: Path) -> None:
    path = write_model(tmp_path / "m.onnx")
    path.write_bytes(path.read_bytes()[:200])
    refused(path)


def test_no_card(tmp_path: Path) -> None:
    error = refused(write_model(tmp_path / "m.onnx", card=None))
    assert "a model file without a card" in error.what
    assert error.fix


def with_card_field(path: Path, **changes: object) -> Path:
    card = {**json.loads(card_to_json(CARD)), **changes}
    return write_model(path, metadata={CARD_KEY: json.dumps(card)})


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("card_version", 3),
        ("input_px", "32"),
        ("cell_mm", 0),
        ("classes", []),
        ("classes", [{"code": "CHEAL", "present_at": 2, "doubt_at": 0}]),
        ("normalisation", {"mean": 0, "std": 0}),
    ],
)
def test_absurd_card_field_is_named(tmp_path: Path, field: str, value: object) -> None:
    error = refused(with_card_field(tmp_path / "m.onnx", **{field: value}))
    assert field in error.where


@pytest.mark.parametrize("text", ["", "{", "[]", "[" * 100_000])
def test_card_that_is_no_json_object(tmp_path: Path, text: str) -> None:
    assert "card" in refused(write_model(tmp_path / "m.onnx", metadata={CARD_KEY: text})).where


@pytest.mark.parametrize("outputs", [SAYS_COLOUR[:3], np.vstack([SAYS_COLOUR] * 2)])
def test_more_or_fewer_outputs_than_classes(tmp_path: Path, outputs: np.ndarray) -> None:
    error = refused(write_model(tmp_path / "m.onnx", weights=outputs))
    assert "classes" in error.where


def test_output_left_open_in_the_file_is_tried(tmp_path: Path) -> None:
    """The file may leave every size open; only running it tells that it does not fit."""
    import onnx

    path = write_model(tmp_path / "m.onnx", weights=SAYS_COLOUR[:3])
    model = onnx.load(str(path))
    model.graph.output[0].type.tensor_type.shape.dim[1].dim_param = "k"
    onnx.save(model, str(path))
    assert "classes" in refused(path).where


@pytest.mark.parametrize("side", [16, 33, "side"])
def test_input_side_unlike_the_card(tmp_path: Path, side: str | int) -> None:
    error = refused(write_model(tmp_path / "m.onnx", side=side))
    assert "input_px" in error.where


def test_card_side_unlike_the_input(tmp_path: Path) -> None:
    card = other_card(input_px=64)
    assert "input_px" in refused(write_model(tmp_path / "m.onnx", card=card, side=32)).where


def test_fixed_batch(tmp_path: Path) -> None:
    assert "at a time" in refused(write_model(tmp_path / "m.onnx", batch=1)).what


def test_32_bit_python_is_told_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(struct, "calcsize", lambda _: 4)
    with pytest.raises(MissingPartError, match="32-bit") as caught:
        open_model(write_model(tmp_path / "m.onnx"))
    assert "64-bit" in caught.value.fix


@pytest.mark.parametrize(("version", "says"), [("1.21.0", "illegal instruction")])
def test_broken_runtime_is_refused_before_import(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, version: str, says: str
) -> None:
    monkeypatch.setattr(metadata, "version", lambda _: version)
    with pytest.raises(MissingPartError, match=says):
        open_model(write_model(tmp_path / "m.onnx"))


def test_absent_runtime(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def absent(name: str) -> str:
        raise metadata.PackageNotFoundError(name)

    monkeypatch.setattr(metadata, "version", absent)
    with pytest.raises(MissingPartError, match="not installed"):
        open_model(write_model(tmp_path / "m.onnx"))
