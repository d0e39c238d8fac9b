"""The pool at 10,000 and 1,000,000 made-up tiles: looking for twins, freezing, reading shards.

Targets on 2 cores at a million: looking for twins 10 minutes and 4 GB, freezing 5 minutes, a
tile at most 1.5 times what it costs at 10,000; reading at least as quick as torchvision's
ImageFolder over the same tiles as loose files, in the same run. Clock and processor time are
both printed: other work on the machine makes the clock a poor witness. Takes half an hour and
14 GB of disk; WEEDSET_BENCH_TILES=100000 makes it shorter.
"""

from __future__ import annotations

import json
import multiprocessing
import os
import re
import resource
import subprocess
import sys
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from time import perf_counter, process_time

import numpy as np
import pytest

from tests.benchmarks.made_up_pool import TWIN_EVERY, made_up_pool

pytestmark = pytest.mark.benchmark

_LESS, _MOST = 10_000, int(os.environ.get("WEEDSET_BENCH_TILES", "1000000"))

Took = dict[str, float]


@pytest.fixture(scope="module")
def pools(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[int, Path]]:
    made = {}
    for tiles in (_LESS, _MOST):
        folder = tmp_path_factory.mktemp("made-up")
        made[tiles] = made_up_pool(folder, tiles, per_giver=min(10_000, tiles // 5)).root
    yield made
    for root in made.values():
        subprocess.run(["rm", "-r", str(root)], check=True)


def apart(step: str, *words: object) -> Took:
    """Run a step of this file in a process of its own; return what it told."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.benchmarks.test_pool_speed", step, *map(str, words)],
        check=True,
        capture_output=True,
        text=True,
        env={**os.environ, "OMP_NUM_THREADS": "1"},
        cwd=Path(__file__).resolve().parents[2],
    )
    took: Took = json.loads(done.stdout.splitlines()[-1])
    return took


def _shown(name: str, took: Took, tiles: int) -> str:
    return (
        f"{name} {tiles:8d} tiles: {took['s']:6.1f} s, processor {took['cpu_s']:6.1f} s "
        f"({took['cpu_s'] / tiles * 1e6:.1f} us a tile), peak {took['peak_mb']:.0f} MB"
    )


def test_twins_and_freezing(pools: dict[int, Path]) -> None:
    print()
    cost: dict[tuple[str, int], float] = {}
    for tiles, root in pools.items():
        for step in ("marks", "twins", "freeze", "verify"):
            took = apart(step, root)
            cost[step, tiles] = took["cpu_s"] / tiles
            print(_shown(f"{step:6}", took, tiles), f"found {took['found']:.0f}")
            if step == "twins":
                assert took["found"] >= 0.9 * tiles / TWIN_EVERY
    search = {tiles: cost["marks", tiles] + cost["twins", tiles] for tiles in pools}
    for name, costs in (
        ("marks and twins", search),
        ("twins alone", {tiles: cost["twins", tiles] for tiles in pools}),
        ("freezing", {tiles: cost["freeze", tiles] for tiles in pools}),
    ):
        print(f"{name}: a tile of {_MOST} costs {costs[_MOST] / costs[_LESS]:.2f} times (1.5)")


def test_the_search_by_hash_alone() -> None:
    from weedset.pool.nearby import near_pairs

    cost = {}
    for count in (10_000, 100_000, 1_000_000, 4_000_000):
        hashes = np.random.default_rng(1).integers(0, 2**64, count, np.uint64)
        cost[count] = _least_s(lambda hashes=hashes: sum(map(len, near_pairs(hashes)))) / count
    print()
    for count, each in cost.items():
        print(f"{count:8d} hashes: {each * 1e6:.2f} us each, {each / cost[10_000]:.2f} times")


def _least_s(work: Callable[[], object], times: int = 3) -> float:
    least = float("inf")
    for _ in range(times):
        begun = process_time()
        work()
        least = min(least, process_time() - begun)
    return least


def test_reading_beside_loose_files(pools: dict[int, Path], tmp_path: Path) -> None:
    from PIL import Image
    from torchvision.datasets import ImageFolder

    from training.datasets import TileDataset
    from training.sources import from_edition

    apart("freeze", pools[_LESS])
    edition = next((pools[_LESS] / "editions").glob("0*"))
    source = from_edition(edition)
    tiles = source.tiles
    dataset = TileDataset(tiles, ("CHEAL",), source.archive_of, 128)
    for number, item in enumerate(tiles):
        path = tmp_path / "loose" / item.site / f"{number:06d}.jpg"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(_read(source.archive_of(item), item.tile.offset, item.tile.length))
    loose = ImageFolder(str(tmp_path / "loose"), transform=np.asarray)
    rng = np.random.default_rng(0)
    assert len(loose) == len(dataset)
    with Image.open(loose.samples[0][0]) as first:
        assert first.size == (128, 128)
    for name, order in (
        ("in order", np.arange(len(tiles))),
        ("shuffled", rng.permutation(len(tiles))),
    ):
        ours, theirs = [], []
        for _ in range(3):  # in turn, so that other work on the machine strikes both
            theirs.append(_read_s(lambda i: loose[i][0], order))
            ours.append(_read_s(dataset.pixels, order))
        rate = len(tiles) / min(ours)
        print(
            f"\nreading {name}: {rate:.0f} tiles a second from shards, "
            f"{len(tiles) / min(theirs):.0f} from loose files: "
            f"{min(theirs) / min(ours):.2f} times as quick (target 1)"
        )


def _read(path: Path, offset: int, length: int) -> bytes:
    with path.open("rb") as file:
        return os.pread(file.fileno(), length, offset)


def _read_s(read: Callable[[int], object], order: np.ndarray) -> float:
    begun = perf_counter()
    for index in order.tolist():
        read(index)
    return perf_counter() - begun


def _step(name: str, root: Path) -> float:
    """Do one step; return how much it found."""
    from weedset.findings import Findings
    from weedset.pool.editions import freeze
    from weedset.pool.journal import read_journal
    from weedset.pool.layout import open_pool
    from weedset.pool.marks import marks_of
    from weedset.pool.selection import select
    from weedset.pool.soundness import verify
    from weedset.pool.standing import standings

    pool = open_pool(root)
    if name == "marks":
        items = standings(read_journal(pool)).values()
        with ProcessPoolExecutor(2, multiprocessing.get_context("spawn")) as two:
            return sum(len(marks_of(pool, item, executor=two)) for item in items)
    if name == "twins":
        return len(select(pool).groups)
    if name == "freeze":
        return freeze(pool, "bench")[0].tiles
    findings = Findings()
    verify(pool, findings)
    return findings.count


def _main(step: str, root: str) -> None:
    begun, before = perf_counter(), process_time()
    found = _step(step, Path(root))
    took_s, cpu_s = perf_counter() - begun, process_time() - before
    children = resource.getrusage(resource.RUSAGE_CHILDREN)
    # Not ru_maxrss, which a process inherits from the one that started it.
    status = Path("/proc/self/status").read_text()
    (peak_kb,) = re.findall(r"VmHWM:\s+(\d+) kB", status)
    told = {
        "s": took_s,
        "cpu_s": cpu_s + children.ru_utime + children.ru_stime,
        "peak_mb": max(int(peak_kb), children.ru_maxrss) / 1024,
        "found": found,
    }
    print(json.dumps(told))


if __name__ == "__main__":
    _main(*sys.argv[1:])
