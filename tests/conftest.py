"""What many tests share: photos with known pixels, and a workspace."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
from hypothesis import settings
from numpy.typing import NDArray
from PIL import Image
from playwright.sync_api import Browser, sync_playwright

from weedset.settings import Workspace, create_workspace

# Tests assert no time: a busy machine is no failure.
settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")

SavePhoto = Callable[..., Path]

#: EXIF tag numbers (EXIF 2.32); written here by number so that a second opinion remains.
EXIF_POINTER = 0x8769


def real_photos(name: str) -> Path:
    """Return a folder of real photos beside the checkout, or skip, saying why."""
    folder = Path(__file__).resolve().parents[2] / "shared" / "photos" / name
    if not folder.is_dir():
        pytest.skip(f"the real photos ({name}) are not part of the project and not on this machine")
    return folder


@pytest.fixture
def save_photo(tmp_path: Path) -> SavePhoto:
    """Write a JPEG or PNG with the given pixels or size, and EXIF tags by number."""

    def save(
        name: str = "photo.jpg",
        size: tuple[int, int] = (640, 480),
        pixels: NDArray[np.uint8] | None = None,
        main_tags: dict[int, object] | None = None,
        exif_tags: dict[int, object] | None = None,
    ) -> Path:
        if pixels is None:
            pixels = np.random.default_rng(7).integers(0, 255, (*size[::-1], 3), np.uint8)
        image = Image.fromarray(pixels)
        exif = Image.Exif()
        exif.update(main_tags or {})
        exif.get_ifd(EXIF_POINTER).update({0x9003: "2026:05:04 10:11:12", **(exif_tags or {})})
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        image.save(path, exif=exif, quality=95)
        return path

    return save


@pytest.fixture
def workspace(tmp_path: Path) -> Workspace:
    return create_workspace(tmp_path / "garden", cell_mm=50, tile_px=32, edge="drop")


@pytest.fixture
def camera_toml(tmp_path: Path) -> Path:
    """Half a millimetre per pixel: a cell of 50 mm is 100 px."""
    path = tmp_path / "cart.toml"
    path.write_text('name = "cart"\n[scale]\ngsd_mm_per_px = 0.5\n')
    return path


@pytest.fixture(scope="session")
def chromium() -> Iterator[Browser]:
    """Start Debian's Chromium; tests of pages are worth nothing without it, so they fail."""
    path = os.environ.get("CHROMIUM") or shutil.which("chromium")
    if path is None:
        pytest.fail(
            "pages are tested in Chromium, which is not installed: "
            "`apt-get install chromium`, or name the program in the variable CHROMIUM"
        )
    flags = ["--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking"]
    flags += ["--disable-component-update", "--disable-sync"]
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=flags)
        yield browser
        browser.close()
