from dataclasses import replace
from pathlib import Path

import pytest
import torch
from torch import nn
from toy_garden import (
    BAR,
    DISC,
    ToyPhoto,
    make_garden,
    quick_recipe,
    toy_photos,
    toy_recipe,
    with_card,
)

from training.evaluation.leave_one_out import LeftOut, leave_one_out
from training.evaluation.per_row import Planting
from training.export import Exported, export_model, write_float_model
from training.runs import load_model, read_run
from training.sources import from_workspace
from training.train import train
from weedset.records import Policy
from weedset.settings import Workspace


@pytest.fixture(scope="session")
def garden(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    """Four sites of two photos, 504 tiles: two sites to learn from, one to tune, one to judge."""
    root = tmp_path_factory.mktemp("four")
    return make_garden(root, toy_photos(("north", "south", "east", "west"), each=2))


@pytest.fixture(scope="session")
def run_dir(garden: Workspace, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A run that learned discs and bars from `garden`."""
    folder = tmp_path_factory.mktemp("run")
    train(toy_recipe(), from_workspace(garden), folder)
    return folder


@pytest.fixture(scope="session")
def exported(
    run_dir: Path, garden: Workspace, tmp_path_factory: pytest.TempPathFactory
) -> Exported:
    """The model file of `run_dir`."""
    return export_model(
        run_dir, from_workspace(garden), tmp_path_factory.mktemp("out") / "toy.onnx"
    )


@pytest.fixture(scope="session")
def worse(run_dir: Path, garden: Workspace, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A model file that takes bars for their opposite."""
    run = read_run(run_dir)
    model = load_model(run_dir, run)
    head = [module for module in model.modules() if isinstance(module, nn.Linear)][-1]
    bar = run.card.codes.index(BAR)
    with torch.no_grad():
        head.weight[bar] *= -1
    path = tmp_path_factory.mktemp("worse") / "worse.onnx"
    write_float_model(model, run.card.input_px, path)
    return with_card(path, path, replace(run.card, name="worse"))


@pytest.fixture(scope="session")
def many(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    """31 sites of one photo that no model has seen."""
    root = tmp_path_factory.mktemp("many")
    return make_garden(root, [ToyPhoto(f"p{i}.png", f"site{i:02d}", 9000 + i) for i in range(31)])


@pytest.fixture(scope="session")
def three(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    """Three sites of one photo."""
    root = tmp_path_factory.mktemp("three")
    return make_garden(root, toy_photos(("north", "south", "west"), each=1))


@pytest.fixture(scope="session")
def folds(three: Workspace, tmp_path_factory: pytest.TempPathFactory) -> tuple[LeftOut, Path]:
    """What leaving each site of `three` out has shown, and the folder of the folds."""
    out = tmp_path_factory.mktemp("folds")
    policy = Policy("beds", frozenset({DISC}), frozenset({BAR}))
    planting = Planting(40, 20, 100)
    return leave_one_out(
        quick_recipe(), from_workspace(three), policy, out, ["site"], planting
    ), out
