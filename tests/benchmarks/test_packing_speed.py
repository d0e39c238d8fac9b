"""Packing and checking: speed against bare hashing and decoding, memory against tiles, fuzzing.

Prints ratios and asserts no time. Checking is bound by hashing and decoding: the yardstick
reads, hashes and decodes the same tiles out of the same archive on two workers, and nothing
else. Memory is the peak of each run in a process of its own.
"""

from __future__ import annotations

import hashlib
import io
import json
import multiprocessing
import os
import resource
import subprocess
import sys
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from time import perf_counter

import pytest
from PIL import Image

from tests.packing.bulk import bulk_workspace
from tests.packing.forge import check, make_workspace, pack
from tests.packing.fuzz import Fuzzer
from tests.packing.test_fuzz import same_content
from weedset.settings import open_workspace
from weedset.storedzip import StoredZip

pytestmark = pytest.mark.benchmark

_FUZZED = 100_000
_CHUNK = 128
_TIMES = 3

Place = tuple[int, int]


def _hash_and_decode(path: Path, places: list[Place]) -> int:
    fd = os.open(path, os.O_RDONLY)
    for offset, size in places:
        data = os.pread(fd, size, offset)
        hashlib.sha256(data).hexdigest()
        with Image.open(io.BytesIO(data)) as image:
            image.load()
    os.close(fd)
    return len(places)


def yardstick_measured(path: Path) -> dict[str, float]:
    """Hash and decode all tiles on two workers, and do nothing else."""
    with path.open("rb") as file:
        archive = StoredZip(file, "x")
        places = [(m.offset, m.size) for m in archive.members() if m.name.endswith(".jpg")]
    chunks = [places[i : i + _CHUNK] for i in range(0, len(places), _CHUNK)]
    context = multiprocessing.get_context("spawn")
    begun = perf_counter()
    with ProcessPoolExecutor(2, mp_context=context) as pool:
        futures = [pool.submit(_hash_and_decode, path, chunk) for chunk in chunks]
        assert sum(future.result() for future in futures) == len(places)
    return {"s": perf_counter() - begun, **used()}


def _measured(code: str, *arguments: object) -> dict[str, float]:
    """Run code in a process of its own; return its seconds and peak memory, in MB."""
    head = "import sys, pathlib; from tests.benchmarks.test_packing_speed import *; "
    tail = "; print(json.dumps(measure))"
    done = subprocess.run(
        [sys.executable, "-c", head + code + tail, *map(str, arguments)],
        capture_output=True,
        text=True,
        check=True,
        env={**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"},
    )
    measured: dict[str, float] = json.loads(done.stdout.splitlines()[-1])
    return measured


def used() -> dict[str, float]:
    """Return the peak memory of this process and of its largest child, and all their CPU time.

    CPU time compares where other work on the machine makes the clock a poor witness.
    """
    own, child = (
        resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
    )
    return {
        "own_mb": own.ru_maxrss / 1024,
        "child_mb": child.ru_maxrss / 1024,
        "cpu_s": own.ru_utime + own.ru_stime + child.ru_utime + child.ru_stime,
    }


def pack_measured(root: Path, out: Path) -> dict[str, float]:
    """Pack a workspace without checking it."""
    begun = perf_counter()
    pack(open_workspace(root), out)
    return {"s": perf_counter() - begun, **used()}


def check_measured(path: Path, workers: int) -> dict[str, float]:
    """Check an archive."""
    begun = perf_counter()
    report = check(path, workers=workers)
    assert report.passed, report.findings
    return {"s": perf_counter() - begun, **used()}


@pytest.fixture(scope="module")
def archives(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[int, Path]]:
    found = {}
    for tiles in (1_000, 10_000, 100_000):
        folder = tmp_path_factory.mktemp("bulk")
        bulk_workspace(folder / "garden", tiles)
        found[tiles] = folder / "given.zip"
        code = "measure = pack_measured(pathlib.Path(sys.argv[1]), pathlib.Path(sys.argv[2]))"
        took = _measured(code, folder / "garden", found[tiles])
        size = found[tiles].stat().st_size / 1e6
        print(f"\npack  {tiles:7d} tiles {size:6.0f} MB: {took['s']:6.1f} s, ", end="")
        print(f"CPU {took['cpu_s']:.1f} s, peak {took['own_mb']:.0f} MB")
    yield found
    for path in found.values():
        path.unlink()


def test_checking_costs_little_more_than_hashing_and_decoding(archives: dict[int, Path]) -> None:
    print()
    for tiles, path in archives.items():
        took: list[dict[str, float]] = []
        bare: list[dict[str, float]] = []
        for _ in range(_TIMES):  # in turn, so that other work on the machine strikes both
            bare.append(_measured("measure = yardstick_measured(pathlib.Path(sys.argv[1]))", path))
            took.append(_measured("measure = check_measured(pathlib.Path(sys.argv[1]), 2)", path))
        clock, cpu = (min(one[what] for one in took) for what in ("s", "cpu_s"))
        bare_clock, bare_cpu = (min(one[what] for one in bare) for what in ("s", "cpu_s"))
        print(
            f"check {tiles:7d} tiles: {clock:5.1f} s, {clock / bare_clock:.2f} x decoding and "
            f"SHA-256 on two workers; CPU {cpu:5.1f} s, {cpu / bare_cpu:.2f} x"
        )
        own, child = (max(one[what] for one in took) for what in ("own_mb", "child_mb"))
        print(f"  peak {own:.0f} MB, largest worker {child:.0f} MB; best of {_TIMES}")


def test_a_hundred_thousand_damaged_archives(tmp_path: Path) -> None:
    good = pack(make_workspace(tmp_path, photos=1), tmp_path / "good.zip")
    fuzzer = Fuzzer(good, tmp_path)
    passed = outside = 0
    begun = perf_counter()
    for seed in range(_FUZZED):
        if check(fuzzer.make(seed)).passed:
            passed += 1
            if fuzzer.is_outside(seed):
                outside += 1
                assert same_content(fuzzer.path, good)
    took_s = perf_counter() - begun
    print(f"\n{_FUZZED} damaged archives checked in {took_s:.0f} s, no crash; {passed} passed:")
    print(f"{outside} whose content was whole, the rest changed within, under true manifests;")
    print(f"peak memory {used()['own_mb']:.0f} MB")
