from __future__ import annotations

from pathlib import Path

import pytest

from tests.packing.forge import make_workspace, pack
from weedset.settings import Workspace


@pytest.fixture(scope="session")
def labelled(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    return make_workspace(tmp_path_factory.mktemp("labelled"))


@pytest.fixture(scope="session")
def packed(labelled: Workspace, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A contribution in which nothing is wrong."""
    return pack(labelled, tmp_path_factory.mktemp("packed") / "given.zip")
