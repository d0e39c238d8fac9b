from pathlib import Path

import pytest
from toy_garden import make_garden, toy_photos, toy_recipe

from training.export import Exported, export_model
from training.sources import from_workspace
from training.train import train
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
