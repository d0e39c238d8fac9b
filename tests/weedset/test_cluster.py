"""Heavy steps on a Dask cluster: a real scheduler, two worker processes, one of which dies."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from tests.packing.forge import TODAY, forge, private_photo
from tests.pool.conftest import give
from tests.weedset.dying import die_once, kill
from weedset.cli import app
from weedset.errors import WorkersError
from weedset.hands import cluster_executor, in_order
from weedset.pool.intake import accept, add
from weedset.pool.layout import create_pool
from weedset.pool.marks import marks_of
from weedset.profile import read_camera_profile
from weedset.settings import create_workspace
from weedset.taxonomy import load_species
from weedset.tiling import CutResult, cut_photos
from weedset.verification.check import check_contribution

ROOT = Path(__file__).resolve().parents[2]
KNOWN = load_species()


@dataclass
class Cluster:
    """A scheduler and its workers, each a process of its own without anyone to restart it."""

    folder: Path
    address: str
    scheduler: subprocess.Popen[bytes]
    workers: list[subprocess.Popen[bytes]]

    def start_up_to(self, count: int) -> None:
        words = (self.address, "--no-nanny", "--nthreads", "1", "--no-dashboard")
        self.workers = [worker for worker in self.workers if worker.poll() is None]
        while len(self.workers) < count:
            self.workers.append(_start("worker", self.folder, *words))
        _wait_for_workers(self.address, count)

    def kill_one(self) -> None:
        self.workers[0].send_signal(signal.SIGKILL)


def _start(what: str, folder: Path, *words: str) -> subprocess.Popen[bytes]:
    program = [sys.executable, "-m", f"distributed.cli.dask_{what}", *words]
    env = {**os.environ, "PYTHONPATH": str(ROOT), "OMP_NUM_THREADS": "1"}
    with (folder / f"{what}.log").open("ab") as log:
        return subprocess.Popen(program, cwd=folder, env=env, stdout=log, stderr=log)


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Cluster]:
    folder = tmp_path_factory.mktemp("cluster")
    told = folder / "scheduler.json"
    scheduler = _start(
        "scheduler", folder, "--host", "127.0.0.1", "--port", "0", "--no-dashboard",
        "--scheduler-file", str(told),
    )  # fmt: skip
    cluster = Cluster(folder, "", scheduler, [])
    try:
        until = time.monotonic() + 60
        while not told.exists() or not told.read_text():
            assert time.monotonic() < until, (folder / "scheduler.log").read_text()
            time.sleep(0.05)
        cluster.address = json.loads(told.read_text())["address"]
        yield cluster
    finally:
        for process in (*cluster.workers, scheduler):
            process.kill()
            process.wait()


@pytest.fixture
def cluster(running: Cluster) -> Cluster:
    """The cluster with two workers, whoever was killed before."""
    running.start_up_to(2)
    return running


def _wait_for_workers(address: str, count: int) -> None:
    from distributed import Client

    with Client(address, timeout=60, set_as_default=False) as client:
        client.wait_for_workers(count, timeout=60)


def test_tiling_and_checking_and_marks_are_those_of_one_process(
    cluster: Cluster, tmp_path: Path
) -> None:
    """All three steps beside their results on this machine; a worker is killed while tiling."""
    profile = tmp_path / "cart.toml"
    profile.write_text('name = "cart"\n[scale]\ngsd_mm_per_px = 0.5\n')
    camera = read_camera_profile(profile)
    photos = [private_photo(tmp_path / f"{n}.jpg", (900, 600), seed=n) for n in range(40)]
    photos[7].write_bytes(b"no photo")
    here = create_workspace(tmp_path / "here", cell_mm=50, tile_px=64, edge="drop")
    there = create_workspace(tmp_path / "there", cell_mm=50, tile_px=64, edge="drop")
    expected = list(cut_photos(photos, camera, here, workers=1))
    with cluster_executor(cluster.address) as executor:
        found = []
        for result in cut_photos(photos, camera, there, executor=executor):
            found.append(result)
            if len(found) == 3:
                cluster.kill_one()
        assert [told(result) for result in found] == [told(result) for result in expected]
        assert archives(there.root) == archives(here.root)

        given = give(tmp_path, "anna", "s-00000000000000aa")
        bad = forge(
            given, tmp_path / "bad.zip", lambda f: f.change_row("data/photos.jsonl", 0, rows=1)
        )
        for path in (given, bad):
            alone = check_contribution(path, KNOWN, TODAY, 1)
            assert check_contribution(path, KNOWN, TODAY, executor=executor) == alone
        pools = [create_pool(tmp_path / name) for name in ("pool", "pool-there")]
        items = [add(pool, given, "carla", KNOWN, 1) for pool in pools]
        accept(pools[1], items[1].digest, "carla", executor=executor)
        assert np.array_equal(marks_of(pools[0], items[0], 1), marks_of(pools[1], items[1]))


def test_the_verbs_take_the_address(cluster: Cluster, tmp_path: Path) -> None:
    given = give(tmp_path, "anna", "s-00000000000000aa")
    pool, item = tmp_path / "pool", "s-00000000000000aa-2024-05-04"
    for words in (
        ("check", given),
        ("pool", "new", pool),
        ("pool", "add", pool, given, "--who", "carla"),
        ("pool", "accept", pool, item, "--who", "carla"),
    ):
        away = () if words[1] == "new" else ("--cluster", cluster.address)
        done = CliRunner().invoke(app, [str(word) for word in (*words, *away)])
        assert done.exit_code == 0, done.output


def test_a_worker_that_dies_changes_nothing(cluster: Cluster, tmp_path: Path) -> None:
    with cluster_executor(cluster.address) as executor:
        found = list(in_order(die_once, tmp_path / "flag", range(60), executor=executor))
    assert found == [n * n for n in range(60)]
    assert (tmp_path / "flag").exists()
    assert sum(worker.poll() is None for worker in cluster.workers) == 1


def test_a_scheduler_that_dies_is_told(cluster: Cluster) -> None:
    with (
        pytest.raises(WorkersError, match="died"),
        cluster_executor(cluster.address) as executor,
    ):
        list(in_order(kill, cluster.scheduler.pid, range(60), executor=executor))


def told(result: CutResult) -> tuple[str, object, str]:
    return result.path.name, result.cut, str(result.error or "")


def archives(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.rglob("*.tar")}
