from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np
import onnx
import onnxruntime
import pytest
import torch
from numpy.typing import NDArray
from torch import nn
from toy_garden import make_garden, toy_photos

import training.backbones
import training.export
from training.backbones import build_backbone
from training.calibration import fit_temperature, tempered
from training.datasets import TileDataset
from training.export import Exported, export_model, write_float_model
from training.quantize import agreement, fold_temperature, quantize, run_model
from training.runs import load_model, read_run
from training.sources import from_workspace
from weedset.board.model import open_model
from weedset.errors import CheckNotPassedError, TrainingError
from weedset.settings import Workspace


def test_the_board_opens_the_file_and_gives_the_float_models_probabilities(
    exported: Exported, run_dir: Path
) -> None:
    # Reference: the torch model itself; int8 is run by onnxruntime.
    board = open_model(exported.path)
    assert board.card == exported.card
    rng = np.random.default_rng(0)
    tiles = rng.integers(60, 160, (40, 32, 32, 3), np.uint8)
    net = load_model(run_dir, read_run(run_dir))
    scaled = (tiles.transpose(0, 3, 1, 2).astype(np.float32) - 127) / 128
    with torch.inference_mode():
        expected = (net(torch.from_numpy(scaled)) / board.card.temperature).sigmoid().numpy()
    assert np.abs(board.probabilities(tiles) - expected).mean() < 0.02


def test_the_card_has_the_thresholds_of_the_int8_model_and_all_else_of_the_run(
    exported: Exported, run_dir: Path
) -> None:
    card = read_run(run_dir).card
    assert replace(exported.card, classes=card.classes, temperature=1.0) == card
    assert exported.card.codes == card.codes
    assert exported.agreement.share >= 0.97
    assert 0 < exported.agreement.mean_difference <= 0.02


def test_the_files_own_probabilities_are_the_calibrated_ones(
    exported: Exported, run_dir: Path, garden: Workspace
) -> None:
    """On the validation tiles the shipped file needs no further temperature."""
    run, board = read_run(run_dir), open_model(exported.path)
    source = from_workspace(garden)
    tiles = [tile for tile in source.tiles if tile.tile.photo_digest in run.validation]
    dataset = TileDataset(tiles, board.card.codes, source.archive_of, board.card.input_px)
    pixels = np.stack([dataset.pixels(index) for index in range(len(dataset))])
    found = board.probabilities(pixels)
    assert board.card.temperature != 1
    assert fit_temperature(dataset.targets, found) == pytest.approx(1, abs=0.02)


def test_a_temperature_is_folded_into_the_last_layer(
    untrained: tuple[nn.Module, Path], tmp_path: Path
) -> None:
    # Reference: torch.
    net, path = untrained
    folded = tmp_path / "folded.onnx"
    folded.write_bytes(path.read_bytes())
    fold_temperature(folded, 2.5)
    tiles = random_input(5)
    with torch.inference_mode():
        expected = (net(torch.from_numpy(tiles)) / 2.5).sigmoid().numpy()
    np.testing.assert_allclose(run_model(folded, tiles), expected, atol=3e-4)
    np.testing.assert_allclose(tempered(run_model(path, tiles), 2.5), expected, atol=3e-4)
    kinds = [node.op_type for node in onnx.load(folded).graph.node]
    assert kinds == [node.op_type for node in onnx.load(path).graph.node]


def test_the_file_is_small_and_whole(exported: Exported) -> None:
    # facts measured before: 125 kB for this net in int8.
    assert exported.path.stat().st_size < 150_000
    assert [file.name for file in exported.path.parent.iterdir()] == [exported.path.name]
    onnx.checker.check_model(onnx.load(exported.path), full_check=True)


@pytest.fixture(scope="module")
def untrained(tmp_path_factory: pytest.TempPathFactory) -> tuple[nn.Module, Path]:
    """A small net of three classes, with its float file."""
    path = tmp_path_factory.mktemp("untrained") / "float.onnx"
    net = stirred(build_backbone("small", 3))
    write_float_model(net, 32, path)
    return net, path


def stirred(net: nn.Module) -> nn.Module:
    """Give batch norm running statistics other than those it starts with."""
    with torch.no_grad():
        net.train()(torch.from_numpy(random_input(32)))
    return net.eval()


def random_input(count: int) -> NDArray[np.float32]:
    return np.random.default_rng(count).normal(0, 0.5, (count, 3, 32, 32)).astype(np.float32)


def layers_that_run(int8_path: Path, tmp_path: Path) -> Counter[str]:
    # onnxruntime is the reference: what its optimizer leaves is what it runs.
    options = onnxruntime.SessionOptions()
    options.log_severity_level = 3
    options.optimized_model_filepath = str(tmp_path / "run.onnx")
    onnxruntime.InferenceSession(int8_path, options)
    return Counter(node.op_type for node in onnx.load(tmp_path / "run.onnx").graph.node)


NOT_FUSED = {"Conv", "Clip", "Relu", "Pad", "BatchNormalization", "Add"}


def test_int8_fuses_every_layer_of_the_small_net(exported: Exported, tmp_path: Path) -> None:
    kinds = layers_that_run(exported.path, tmp_path)
    assert kinds["QLinearConv"] == 13
    assert kinds["QuantizeLinear"] == kinds["DequantizeLinear"] == 1
    assert not NOT_FUSED & set(kinds)


def test_int8_fuses_every_kind_of_layer_of_lite0(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # One block of each kind: all 16 take long to export and are of these kinds.
    monkeypatch.setattr(
        training.backbones, "_LITE0_STAGES", ((1, 3, 1, 1, 16), (1, 3, 2, 6, 24), (2, 5, 2, 6, 40))
    )
    net = stirred(build_backbone("lite0", 3))
    write_float_model(net, 32, tmp_path / "float.onnx")
    quantize(tmp_path / "float.onnx", tmp_path / "int8.onnx", random_input(32))
    kinds = layers_that_run(tmp_path / "int8.onnx", tmp_path)
    assert kinds["QLinearConv"] == 2 + 2 + 3 * 3
    assert kinds["QLinearAdd"] == 1
    assert kinds["QuantizeLinear"] == kinds["DequantizeLinear"] == 1
    assert not NOT_FUSED & set(kinds)


@pytest.mark.parametrize("count", [1, 2, 17])
def test_the_float_file_gives_what_torch_gives_for_any_number_of_tiles(
    untrained: tuple[nn.Module, Path], count: int
) -> None:
    # Reference: torch.
    net, path = untrained
    tiles = random_input(count)
    with torch.inference_mode():
        expected = net(torch.from_numpy(tiles)).sigmoid().numpy()
    np.testing.assert_allclose(run_model(path, tiles), expected, atol=3e-4)


def test_agreement_of_a_worked_example() -> None:
    # Hand arithmetic: differences 0.1, 0, 0.2, 0.1; one of four calls differs.
    reference = np.array([[0.6, 0.2], [0.4, 0.9]], np.float32)
    other = np.array([[0.5, 0.2], [0.6, 0.8]], np.float32)
    found = agreement(reference, other, np.array([0.5, 0.5], np.float32))
    assert found.largest_difference == pytest.approx(0.2)
    assert found.mean_difference == pytest.approx(0.1)
    assert found.share == 0.75


def test_int8_that_strays_is_refused_with_figures_and_nothing_is_written(
    run_dir: Path,
    garden: Workspace,
    untrained: tuple[nn.Module, Path],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def copy(_net: nn.Module, _input_px: int, path: Path) -> None:
        path.write_bytes(untrained[1].read_bytes())

    monkeypatch.setattr(training.export, "write_float_model", copy)
    monkeypatch.setattr(training.export, "MOST_MEAN_DIFFERENCE", 0.0)
    with pytest.raises(CheckNotPassedError, match=r"strays .* \d+\.\d+% .* 0\.0\d+") as caught:
        export_model(run_dir, from_workspace(garden), tmp_path / "toy.onnx")
    assert caught.value.exit_code == 3
    assert not list(tmp_path.iterdir())


def test_a_workspace_without_the_runs_photos_is_told(run_dir: Path, tmp_path: Path) -> None:
    other = make_garden(tmp_path, toy_photos(["elsewhere"], each=1))
    with pytest.raises(TrainingError, match="lacks labelled photos"):
        export_model(run_dir, from_workspace(other), tmp_path / "toy.onnx")
