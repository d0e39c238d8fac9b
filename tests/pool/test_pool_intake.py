"""Taking in: quarantine, accept, refuse, journal; killed at each step; two at once."""

from __future__ import annotations

import errno
import json
import multiprocessing
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner

from tests.packing.forge import forge
from tests.pool.conftest import give, give_loose
from weedset.cli import app
from weedset.digests import file_digest
from weedset.errors import CheckNotPassedError, PoolError
from weedset.pool.editions import freeze
from weedset.pool.intake import accept, add, letter, refuse
from weedset.pool.journal import Entry, Event, append, locked, read_journal
from weedset.pool.layout import Pool, create_pool, open_pool
from weedset.pool.standing import State, standings
from weedset.pool.withdrawal import withdraw
from weedset.records import Origin, Statement, Verdict
from weedset.taxonomy import load_species

KNOWN = load_species()


@pytest.fixture
def pool(tmp_path: Path) -> Pool:
    return create_pool(tmp_path / "pool")


def run(*words: object, code: int = 0) -> str:
    done = CliRunner().invoke(app, [str(word) for word in words])
    assert done.exit_code == code, done.output
    return done.output


def state(pool: Pool, digest: str) -> State:
    return standings(read_journal(pool))[digest].state


def test_a_contribution_waits_then_is_accepted(pool: Pool, given: Path) -> None:
    item = add(pool, given, "carla", KNOWN)
    assert (item.state, item.tiles, item.giver) == (State.WAITING, 12, "anna")
    assert pool.archive(item.digest).read_bytes() == given.read_bytes()
    done = accept(pool, item.digest[:8], "carla", "good light")
    assert done.state is State.ACCEPTED
    assert "good light" in letter(done)
    happened = [(entry.what, entry.who, entry.digest) for entry in read_journal(pool)]
    assert happened == [
        (Event.ADDED, "carla", item.digest),
        (Event.ACCEPTED, "carla", item.digest),
    ]


def test_the_giver_is_told_where_it_goes(pool: Pool, given: Path, tmp_path: Path) -> None:
    apart = give(tmp_path, "ben", "s-00000000000000bb", 10, licence="CC-BY-NC-4.0")
    said = {}
    for path in (given, apart, give_loose(tmp_path)):
        item = accept(pool, add(pool, path, "carla", KNOWN, workers=1).digest, "carla")
        said[item.giver] = letter(item)
    assert "thank you. It goes into the next edition." in said["anna"]
    assert "the next edition of what is kept apart" in said["ben"]
    assert "Editions hold tiles alone" in said["eve"]


def test_every_step_can_be_given_twice(pool: Pool, given: Path) -> None:
    first = add(pool, given, "carla", KNOWN)
    assert add(pool, given, "dora", KNOWN) == first
    accept(pool, first.batch, "carla")
    accept(pool, first.batch, "dora")
    assert add(pool, given, "dora", KNOWN).state is State.ACCEPTED
    assert len(read_journal(pool)) == 2
    with pytest.raises(PoolError, match="no longer waits"):
        refuse(pool, first.batch, "dora", "too late")


def test_refusing_deletes_the_archive_and_keeps_the_reason(pool: Pool, given: Path) -> None:
    item = add(pool, given, "carla", KNOWN)
    gone = refuse(pool, item.batch, "carla", "A face is to be seen.")
    assert not pool.archive(item.digest).exists()
    assert "A face is to be seen." in letter(gone)
    assert add(pool, given, "carla", KNOWN).state is State.REFUSED
    assert not pool.archive(item.digest).exists()
    with pytest.raises(PoolError, match="is refused since"):
        accept(pool, item.batch, "carla")


def test_what_does_not_pass_the_check_leaves_nothing(
    pool: Pool, given: Path, tmp_path: Path
) -> None:
    def lie(forgery: object) -> None:
        forgery.change_batch(lambda table: table.update(tiles=13))  # type: ignore[attr-defined]

    bad = forge(given, tmp_path / "bad.zip", lie)
    with pytest.raises(CheckNotPassedError, match="says 13, but there are 12"):
        add(pool, bad, "carla", KNOWN)
    (tmp_path / "wrong.zip").write_bytes(b"no zip at all")
    with pytest.raises(CheckNotPassedError, match=r"\n  wrong\.zip: "):
        add(pool, tmp_path / "wrong.zip", "carla", KNOWN)
    assert read_journal(pool) == []
    assert list(pool.archives.iterdir()) == []


def test_killed_at_every_step(pool: Pool, given: Path, tmp_path: Path) -> None:
    """kill -9 at each step of add, accept and refuse: the pool says one thing or the other."""
    digest = file_digest(given)
    added = tmp_path / "added"
    shutil.copytree(pool.root, added)
    add(open_pool(added), given, "carla", KNOWN)
    for template, words, before, after in (
        (pool.root, ("add", "POOL", given, "--who", "carla"), None, State.WAITING),
        (added, ("accept", "POOL", digest, "--who", "carla"), State.WAITING, State.ACCEPTED),
        (
            added,
            ("refuse", "POOL", digest, "--who", "carla", "--reason", "no"),
            State.WAITING,
            State.REFUSED,
        ),
    ):
        folder = tmp_path / words[0]
        steps = killed(template, folder, "pool", *words)
        assert steps > 4
        seen = set()
        for n in range(1, steps + 1):
            there = open_pool(folder / str(n))
            found = standings(read_journal(there)).get(digest)
            seen.add(found.state if found else None)
            if found and found.state is not State.REFUSED:
                assert there.archive(digest).read_bytes() == given.read_bytes()
            # The same command goes on from there, and the pool is as if nothing had been.
            run("pool", *(there.root if word == "POOL" else word for word in words))
            assert state(there, digest) is after
            assert [item.what for item in read_journal(there)].count(Event.ADDED) == 1
            assert there.archive(digest).exists() == (after is not State.REFUSED)
        assert seen == {before, after}


def killed(template: Path, folder: Path, *words: object) -> int:
    """Kill a command at each step it takes on copies of a pool; return how many there were."""
    program = [sys.executable, "-W", "ignore", "-m", "tests.pool.killing", template, folder]
    done = subprocess.run(
        [str(word) for word in (*program, *words)],
        capture_output=True,
        text=True,
        check=True,
        env={**os.environ, "OMP_NUM_THREADS": "1"},
    )
    return int(done.stdout)


def test_a_torn_line_is_no_line(pool: Pool, given: Path) -> None:
    item = add(pool, given, "carla", KNOWN)
    whole = pool.journal.read_bytes()
    accept(pool, item.batch, "carla")
    both = pool.journal.read_bytes()
    for cut in range(len(whole), len(both)):
        pool.journal.write_bytes(both[:cut])
        assert state(pool, item.digest) is State.WAITING
    accept(pool, item.batch, "dora")
    assert [entry.who for entry in read_journal(pool)] == ["carla", "dora"]


def test_a_changed_journal_is_found(pool: Pool, given: Path) -> None:
    item = add(pool, given, "carla", KNOWN)
    accept(pool, item.batch, "carla")
    text = pool.journal.read_text()
    for damaged in (
        text.replace("anna", "enna", 1),
        text.partition("\n")[2],
        "x" + text,
        "\n" + text,
    ):
        pool.journal.write_text(damaged)
        with pytest.raises(PoolError, match="was changed"):
            read_journal(pool)


def _add_many(root: str, number: int) -> None:
    pool = open_pool(Path(root))
    for i in range(20):
        with locked(pool):
            append(pool, Entry(Event.ADDED, f"{number}-{i}", "x", "2024-05-04T00:00:00Z"))


def test_two_maintainers_at_once(pool: Pool) -> None:
    """Lines of two who write at the same time never mix, and none is lost."""
    context = multiprocessing.get_context("spawn")
    both = [context.Process(target=_add_many, args=(str(pool.root), n)) for n in range(2)]
    for process in both:
        process.start()
    for process in both:
        process.join()
    found = [entry.digest for entry in read_journal(pool)]
    assert sorted(found) == sorted(f"{n}-{i}" for n in range(2) for i in range(20))


def test_a_pool_in_use_says_so(pool: Pool) -> None:
    with locked(pool), pytest.raises(PoolError, match="in use"), locked(pool, wait_s=0):
        pass


def test_a_full_disk_is_told(pool: Pool, given: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(fd: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with monkeypatch.context() as patched:
        patched.setattr(os, "fsync", full)
        with pytest.raises(PoolError, match="No space left") as caught:
            add(pool, given, "carla", KNOWN)
    assert "make room" in caught.value.fix
    assert list(pool.archives.iterdir()) == []
    assert add(pool, given, "carla", KNOWN).state is State.WAITING


def test_names_that_fit_several_are_refused(pool: Pool, given: Path, tmp_path: Path) -> None:
    add(pool, given, "carla", KNOWN)
    again = give(tmp_path, "anna", "s-00000000000000aa", photos=1)
    batch = add(pool, again, "carla", KNOWN).batch
    with pytest.raises(PoolError, match="could be any of"):
        accept(pool, batch, "carla")
    with pytest.raises(PoolError, match="is no contribution"):
        accept(pool, "nothing", "carla")


def test_one_that_does_not_pass_stops_no_other(tmp_path: Path, given: Path) -> None:
    root, bad = tmp_path / "pool", tmp_path / "bad.zip"
    bad.write_bytes(given.read_bytes()[:-1000])
    run("pool", "new", root)
    said = run("pool", "add", root, bad, given, "--who", "carla", code=3)
    assert f"{bad}: does not pass" in said.replace("\n", "")
    assert "1 of 2 archives" in said
    assert "anna" in run("pool", "review", root)


def test_a_batch_that_is_given_anew_is_told(tmp_path: Path, given: Path) -> None:
    """Of the same pictures the first to come counts, until it is let go."""
    root, anew = tmp_path / "pool", give(tmp_path, "anna", "s-00000000000000aa", say=bare)
    first, second = file_digest(given), file_digest(anew)
    run("pool", "new", root)
    run("pool", "add", root, given, "--who", "carla")
    run("pool", "accept", root, first, "--who", "carla")
    said = run("pool", "add", root, anew, "--who", "carla").replace("\n", " ")
    assert f"{first[:12]} is the same batch, and accepted" in said
    assert f"weedset pool withdraw {root} {first[:12]} --who YOU" in said
    twins = run("pool", "twins", root, second)
    assert f"{first[:12]}/p00001/r00000c00000  =  {second[:12]}/p00001/r00000c00000" in twins

    pool = open_pool(root)
    accept(pool, second, "carla")
    withdraw(pool, first, "carla", "Given anew.")
    edition, _ = freeze(pool, "carla")
    assert (edition.contributions, edition.tiles) == ((second,), 12)


def bare(row: int, col: int) -> Statement:
    return Statement("anna", Origin.PAGE, Verdict.BARE)


def test_the_verbs(tmp_path: Path, given: Path) -> None:
    root = tmp_path / "pool"
    run("pool", "review", root, code=1)
    run("pool", "new", root)
    run("pool", "new", root)
    run("pool", "add", root, given, "--who", "carla")
    assert "waiting" in run("pool", "review", root)
    digest = file_digest(given)
    output = run("pool", "refuse", root, digest, "--who", "carla", "--reason", "Out of focus.")
    assert "To anna: " in output
    assert "Why: Out of focus." in output
    line = json.loads(run("pool", "journal", root, "--json").splitlines()[1])
    assert (line["what"], line["who"], line["reason"]) == ("refused", "carla", "Out of focus.")
    (tmp_path / "other").mkdir()
    (tmp_path / "other" / "x").touch()
    assert "other things" in run("pool", "new", tmp_path / "other", code=1)
