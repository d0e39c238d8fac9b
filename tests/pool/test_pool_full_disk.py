"""A disk that takes no more while an edition is frozen: nothing half done is to be seen."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.pool.conftest import give
from weedset.findings import Findings
from weedset.pool.editions import MANIFEST, freeze
from weedset.pool.intake import accept, add
from weedset.pool.journal import Event, read_journal
from weedset.pool.layout import Pool, create_pool, open_pool
from weedset.pool.soundness import verify
from weedset.taxonomy import load_species

#: The system then refuses to make any file longer (POSIX setrlimit; errno EFBIG), whoever
#: writes it: Python, or pyarrow beneath it.
_FREEZE = """
import resource, sys
from weedset.cli import app

most = int(sys.argv[1])
resource.setrlimit(resource.RLIMIT_FSIZE, (most, most))
sys.argv = ["weedset", "pool", "freeze", sys.argv[2], "--who", "carla"]
app()
"""


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Pool:
    folder = tmp_path_factory.mktemp("full")
    pool = create_pool(folder / "pool")
    for giver, site, seed in (("anna", "aa", 0), ("ben", "bb", 10)):
        path = give(folder, giver, f"s-00000000000000{site}", seed)
        accept(pool, add(pool, path, "carla", load_species(), workers=1).digest, "carla")
    return pool


def test_a_disk_that_is_full_leaves_no_edition(filled: Pool, tmp_path: Path) -> None:
    """Full at once, before the end of the journal's line, of the index, and of a shard."""
    whole = open_pool(shutil.copytree(filled.root, tmp_path / "whole"))
    edition, _ = freeze(whole, "carla")
    index = (whole.edition(1) / "index.parquet").stat().st_size
    shard = (whole.edition(1) / "train-00000.tar").stat().st_size
    for most in (100, whole.journal.stat().st_size - 1, index - 1, shard - 1):
        there = open_pool(shutil.copytree(filled.root, tmp_path / str(most)))
        done = subprocess.run(
            [sys.executable, "-W", "ignore", "-c", _FREEZE, str(most), str(there.root)],
            capture_output=True,
            text=True,
            env={**os.environ, "OMP_NUM_THREADS": "1"},
        )
        assert done.returncode == 1, (most, done.stderr)
        assert "cannot be written" in done.stderr
        assert "make room on the disk" in done.stderr
        assert "Traceback" not in done.stderr
        assert not [e for e in read_journal(there) if e.what is Event.FROZEN]
        named = [path for path in there.editions.glob("[0-9]*") if path.is_dir()]
        # What has its name is whole: only the line that makes it an edition can be missing.
        assert all((path / MANIFEST).read_bytes() == whole_manifest(whole) for path in named)
        assert verify(there, Findings()) or not named
        assert freeze(there, "carla")[0].digest == edition.digest


_LOOK = """
import resource, sys
from training.verbs import app

resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[1]), int(sys.argv[1])))
sys.argv = ["weedset", "pool", "look", *sys.argv[2:]]
app()
"""


@pytest.mark.parametrize("most", [0, 20_000])
def test_a_full_disk_is_no_damaged_archive(filled: Pool, tmp_path: Path, most: int) -> None:
    """What cannot be written elsewhere says nothing of the archive it comes from."""
    (item, *_) = [e.digest for e in read_journal(filled) if e.what is Event.ACCEPTED]
    words = (str(most), str(filled.root), item, "--to", str(tmp_path / "look"))
    done = subprocess.run(
        [sys.executable, "-W", "ignore", "-c", _LOOK, *words],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 1, done.stderr
    assert "Traceback" not in done.stderr
    assert "archives" not in done.stderr
    assert "disk" in done.stderr or "cannot be written" in done.stderr
    assert list(tmp_path.iterdir()) == []


def whole_manifest(pool: Pool) -> bytes:
    return (pool.edition(1) / MANIFEST).read_bytes()
