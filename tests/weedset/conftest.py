"""Drawn photos of the calibration board, shared by the tests that need them."""

from __future__ import annotations

from pathlib import Path

import pytest
from PIL import Image

from tests.weedset.drawn_board import draw_board, rays_of, turned
from tests.weedset.test_calibrate import HELD, NORMAL, on_the_ground


@pytest.fixture(scope="session")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with held/held0.jpg to held7.jpg, and ground.jpg with the board on the soil."""
    folder = tmp_path_factory.mktemp("drawn")
    rays = rays_of(NORMAL)
    (folder / "held").mkdir()
    for i, (*angles, at) in enumerate(HELD):
        pixels = draw_board(NORMAL, rays, turned(*angles), at, seed=i)
        Image.fromarray(pixels).save(folder / "held" / f"held{i}.jpg", quality=90)
    ground = draw_board(NORMAL, rays, *on_the_ground(), seed=99)
    Image.fromarray(ground).save(folder / "ground.jpg", quality=90)
    return folder
