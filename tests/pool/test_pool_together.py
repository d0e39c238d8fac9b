"""Two maintainers who give the same command at the same time, each in a process of their own."""

from __future__ import annotations

import os
import subprocess
import sys
from collections import Counter
from pathlib import Path

import pytest

from tests.pool.conftest import give
from weedset.findings import Findings
from weedset.pool.intake import accept, add
from weedset.pool.journal import Event, read_journal
from weedset.pool.layout import Pool, create_pool
from weedset.pool.soundness import verify
from weedset.taxonomy import load_species

ANNA = "s-00000000000000aa"


@pytest.fixture
def pool(tmp_path: Path) -> Pool:
    return create_pool(tmp_path / "pool")


def both(*words: object) -> list[str]:
    """Give a command twice at once, as carla and as emil; return what was printed."""
    program = [sys.executable, "-W", "ignore", "-c", "from weedset.cli import app; app()", "pool"]
    running = [
        subprocess.Popen(
            [*program, *map(str, words), "--who", who],
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            env={**os.environ, "OMP_NUM_THREADS": "1"},
        )
        for who in ("carla", "emil")
    ]
    told = []
    for process in running:
        output, _ = process.communicate(timeout=120)
        assert process.returncode == 0, output
        told.append(output)
    return told


def test_each_step_happens_once(pool: Pool, tmp_path: Path) -> None:
    given = give(tmp_path, "anna", ANNA)
    both("add", pool.root, given)
    accepted = both("accept", pool.root, f"{ANNA}-2024-05-04")
    assert all("was accepted" in output for output in accepted)
    frozen = both("freeze", pool.root)
    assert sorted("Nothing changed" in output for output in frozen) == [False, True]
    assert len({output.splitlines()[-1] for output in frozen}) == 1
    happened = Counter(entry.what for entry in read_journal(pool))
    assert happened == {Event.ADDED: 1, Event.ACCEPTED: 1, Event.FROZEN: 1}
    findings = Findings()
    assert verify(pool, findings) == []
    assert findings.count == 0


def test_one_takes_back_what_the_other_freezes(pool: Pool, tmp_path: Path) -> None:
    """Whichever comes first, the edition and the journal agree, and no archive is left."""
    for giver, site, seed in (("anna", ANNA, 0), ("ben", "s-00000000000000bb", 10)):
        item = add(pool, give(tmp_path, giver, site, seed, photos=1), "carla", load_species(), 1)
        accept(pool, item.digest, "carla")
    program = [sys.executable, "-W", "ignore", "-c", "from weedset.cli import app; app()", "pool"]
    commands = (("freeze", pool.root), ("withdraw", pool.root, f"{ANNA}-2024-05-04"))
    running = [
        subprocess.Popen([*program, *map(str, words), "--who", "x"], stderr=subprocess.DEVNULL)
        for words in commands
    ]
    assert [process.wait(120) for process in running] == [0, 0]
    entries = [entry for entry in read_journal(pool) if entry.what is not Event.ADDED]
    (frozen,) = (entry for entry in entries if entry.what is Event.FROZEN)
    (taken,) = (entry for entry in entries if entry.what is Event.WITHDRAWN)
    inside = frozen.facts["contributions"]
    assert isinstance(inside, list)
    assert (taken.digest in inside) == (entries.index(frozen) < entries.index(taken))
    assert not pool.archive(taken.digest).exists()
    findings = Findings()
    verify(pool, findings)
    assert findings.count == 0
