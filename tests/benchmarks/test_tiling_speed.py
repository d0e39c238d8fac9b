"""How long tiling takes beside decoding the photos and encoding the same tiles with Pillow.

Targets: straight-down photos at most 1.2 times, rectified ones at most 2 times, two
processes at least 1.8 times as quick as one, memory flat from 100 to 10,000 photos.
Times here are processor time of one core: other work on the machine does not count.
"""

from __future__ import annotations

import io
import os
import re
import resource
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from time import perf_counter, process_time

import cv2
import numpy as np
import pytest
from PIL import Image

from weedset.images import decode_tile, encode_tile
from weedset.records import (
    CameraProfile,
    Distortion,
    FocalLength,
    Pose,
)
from weedset.settings import Workspace, create_workspace, tile_archive
from weedset.tilearchive import read_tile
from weedset.tiling import cut_photo, cut_photos

pytestmark = pytest.mark.benchmark

#: 4 mm lens, 1.4 um pixels.
SMALL = CameraProfile("small", 800, 8, FocalLength(4.0, 1.4), None, None, None, None)
TILTED = replace(SMALL, pose=Pose(18, 4))
BENT = replace(TILTED, distortion=Distortion("brown-conrady", (-0.12, 0.02, 0.001, 0, 0)))
FISHEYE = replace(
    SMALL,
    height_mm=500.0,
    lens=FocalLength(1.8, 1.4),
    pose=Pose(12, 3),
    distortion=Distortion("fisheye", (0, 0, 0, 0)),
)
CASES = {
    "straight down, 0.28 mm/px": (SMALL, 1.2),
    "straight down, 0.18 mm/px": (replace(SMALL, height_mm=520.0), 1.2),
    "tilted": (TILTED, 2.0),
    "tilted and bent": (BENT, 2.0),
    "tilted fisheye": (FISHEYE, 2.0),
}


def ground_like(width_px: int, height_px: int, seed: int) -> Image.Image:
    """Noise of many sizes, so that decoding costs what a photo of soil costs."""
    rng = np.random.default_rng(seed)
    total = np.zeros((height_px, width_px, 3), np.float32)
    for size in (1, 2, 4, 16, 64):
        small = rng.normal(0, 1, (height_px // size + 1, width_px // size + 1, 3))
        grown = cv2.resize(small.astype(np.float32), (width_px, height_px))
        total += grown * (4 + 3 * size**0.5)
    return Image.fromarray(np.clip(total + np.array([110, 95, 75]), 0, 255).astype(np.uint8))


@pytest.fixture(scope="module")
def photos(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    folder = tmp_path_factory.mktemp("photos")
    paths = [folder / f"p{i:02d}.jpg" for i in range(4)]
    for i, path in enumerate(paths):
        ground_like(2592, 1944, i).save(path, quality=92)
    return paths


def quickest(work: Callable[[], object], times: int = 5) -> float:
    best = float("inf")
    for _ in range(times):
        start = process_time()
        work()
        best = min(best, process_time() - start)
    return best


@pytest.mark.parametrize("name", CASES)
def test_tiling_beside_decoding_and_encoding(name: str, photos: list[Path], tmp_path: Path) -> None:
    profile, target = CASES[name]
    cv2.setNumThreads(1)
    room = create_workspace(tmp_path / "w", 50, 128, "drop")
    cut = cut_photo(photos[0], profile, room)
    assert cut is not None
    archive = tile_archive(room, cut.photo.digest)
    tiles = [decode_tile(read_tile(archive, tile)) for tile in cut.tiles]
    data = photos[0].read_bytes()

    def decode_and_encode() -> None:
        Image.open(io.BytesIO(data)).load()
        for tile in tiles:
            encode_tile(tile)

    least = quickest(decode_and_encode)
    ours = quickest(lambda: cut_photo(photos[0], profile, room))
    print(
        f"\n{name}: {len(tiles)} tiles, {ours * 1000:.0f} ms, decode + encode "
        f"{least * 1000:.0f} ms: {ours / least:.2f} times (target {target})"
    )


def test_two_processes_beside_one(photos: list[Path], tmp_path: Path) -> None:
    many = copies(photos, tmp_path / "many", 400)
    wall, work = {}, {}
    for workers in (1, 2):
        room = create_workspace(tmp_path / f"w{workers}", 50, 128, "drop")
        start, before = perf_counter(), _processor_s()
        assert all(result.cut for result in cut_photos(many, BENT, room, workers=workers))
        wall[workers], work[workers] = perf_counter() - start, _processor_s() - before
    print(
        f"\n400 photos: one process {wall[1]:.1f} s, two {wall[2]:.1f} s, start included: "
        f"{wall[1] / wall[2]:.2f} times (target 1.8); processor time {work[1]:.1f} and "
        f"{work[2]:.1f} s, so {2 * work[1] / work[2]:.2f} times on two free cores; "
        f"load {os.getloadavg()[0]:.1f}"
    )


def _processor_s() -> float:
    used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(usage.ru_utime + usage.ru_stime for usage in used)


def copies(photos: list[Path], folder: Path, count: int) -> list[Path]:
    """Make photos that differ only in bytes after their end, and so in their digest."""
    folder.mkdir()
    data = [path.read_bytes() for path in photos]
    paths = [folder / f"p{i:05d}.jpg" for i in range(count)]
    for i, path in enumerate(paths):
        path.write_bytes(data[i % len(data)] + i.to_bytes(4, "big"))
    return paths


@pytest.mark.parametrize("workers", [1, 2])
def test_memory_from_100_to_10000_photos(workers: int, tmp_path: Path) -> None:
    small = tmp_path / "small.jpg"
    ground_like(240, 180, 1).save(small, quality=85)
    peaks = {}
    for count in (100, 10_000):
        folder, room = tmp_path / f"p{count}", tmp_path / f"w{count}"
        copies([small], folder, count)
        create_workspace(room, 50, 32, "drop")
        done, peaks[count] = tiled_apart(folder, room, workers)
        assert done == count
        # The same run again finds everything done.
        start = perf_counter()
        assert tiled_apart(folder, room, workers)[0] == 0
        print(f"\n{count} photos again, {workers} processes: {perf_counter() - start:.1f} s")
    print(
        f"\n{workers} processes: peak {peaks[100]:.0f} MB for 100 photos, "
        f"{peaks[10_000]:.0f} MB for 10,000: {peaks[10_000] / peaks[100]:.2f} times"
    )


def tiled_apart(folder: Path, room: Path, workers: int) -> tuple[int, float]:
    """Tile a folder in a process of its own.

    Returns how many photos were cut, and the peak of memory, in MB, of that process or of
    those it started, whichever is larger.
    """
    words = ["-m", "tests.benchmarks.test_tiling_speed", str(folder), str(room), str(workers)]
    root = Path(__file__).resolve().parents[2]
    told = subprocess.run(
        [sys.executable, *words], check=True, capture_output=True, cwd=root
    ).stdout
    done, peak_kb = told.split()
    return int(done), int(peak_kb) / 1024


def _run(folder: Path, room: Path, workers: int) -> None:
    """Tile a folder as the command does, and print how many photos, and the peak in kB."""
    from weedset.records import Batch
    from weedset.settings import open_workspace
    from weedset.store import open_store

    workspace: Workspace = open_workspace(room)
    profile = CameraProfile("c", None, None, None, 0.5, 0.01, None, None)
    batch = Batch("b", "s", "2026-05-04", "", "", ())
    done = 0
    with open_store(workspace) as store:
        paths = sorted(folder.iterdir())
        for result in cut_photos(paths, profile, workspace, store.digests(), workers):
            if result.cut is not None:
                store.add_photo(batch, result.cut.photo, result.cut.tiles)
                done += 1
    # Not ru_maxrss, which a process inherits from the one that started it.
    status = Path("/proc/self/status").read_text()
    (peak_kb,) = re.findall(r"VmHWM:\s+(\d+) kB", status)
    children_kb = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss
    print(done, max(int(peak_kb), children_kb))


if __name__ == "__main__":
    _run(Path(sys.argv[1]), Path(sys.argv[2]), int(sys.argv[3]))
