"""Editions and pools in a folder and in an S3-compatible store, which fails at every point."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from typer.testing import CliRunner

from tests.pool.conftest import give
from tests.pool.object_store import BUCKET, ObjectStore, object_store
from weedset.cli import app
from weedset.errors import MissingPartError, PoolError
from weedset.findings import Findings
from weedset.pool.editions import freeze
from weedset.pool.frozen import open_edition
from weedset.pool.intake import accept, add
from weedset.pool.journal import read_journal
from weedset.pool.layout import Pool, create_pool, open_pool
from weedset.pool.publishing import back_up, fetch, publish, verify_at
from weedset.pool.remote import Remote
from weedset.pool.soundness import verify
from weedset.pool.withdrawal import withdraw
from weedset.taxonomy import load_species

KNOWN = load_species()
AA, BB, CC = "s-00000000000000aa", "s-00000000000000bb", "s-00000000000000cc"
AT = f"s3://{BUCKET}/sets/1"


@pytest.fixture(scope="session")
def frozen(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A pool with an edition of two givers."""
    folder = tmp_path_factory.mktemp("frozen")
    pool = create_pool(folder / "pool")
    for giver, site, seed in (("anna", AA, 0), ("ben", BB, 10)):
        path = give(folder, giver, site, seed, photos=1)
        accept(pool, add(pool, path, "carla", KNOWN, workers=1).digest, "carla")
    freeze(pool, "carla")
    return pool.root


@pytest.fixture
def pool(frozen: Path, tmp_path: Path) -> Pool:
    shutil.copytree(frozen, tmp_path / "pool")
    return open_pool(tmp_path / "pool")


@pytest.fixture(scope="module")
def server() -> Iterator[ObjectStore]:
    with object_store() as running:
        yield running


@pytest.fixture
def store(server: ObjectStore, monkeypatch: pytest.MonkeyPatch) -> ObjectStore:
    reach(server, monkeypatch)
    server.reset()
    return server


def reach(server: ObjectStore, monkeypatch: pytest.MonkeyPatch) -> None:
    import s3fs

    for name, value in {
        "AWS_ENDPOINT_URL": server.address,
        "AWS_ACCESS_KEY_ID": "key",
        "AWS_SECRET_ACCESS_KEY": "secret",
        "AWS_DEFAULT_REGION": "us-east-1",
        "AWS_MAX_ATTEMPTS": "1",
    }.items():
        monkeypatch.setenv(name, value)
    monkeypatch.setattr(s3fs.S3FileSystem, "retries", 1)
    s3fs.S3FileSystem.clear_instance_cache()


@pytest.fixture(params=["folder", "object store"])
def place(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    if request.param == "folder":
        return str(tmp_path / "shelf" / "1")
    request.getfixturevalue("store")
    return AT


def run(*words: object, code: int = 0) -> str:
    done = CliRunner().invoke(app, ["pool", *map(str, words)])
    assert done.exit_code == code, done.output
    return done.output


def contents(folder: Path) -> dict[str, bytes]:
    files = (path for path in folder.rglob("*") if path.is_file() and path.name != "lock")
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in files}


def damage_at(place: str, digest: str = "") -> list[tuple[str, str]]:
    findings = Findings()
    verify_at(place, findings, digest)
    return [(finding.file, finding.what) for finding in findings.shown]


def test_an_edition_there_and_back(pool: Pool, place: str, tmp_path: Path) -> None:
    edition, moved = publish(pool, 1, place)
    there = contents(pool.edition(1))
    assert (moved.moved, moved.there) == (len(there), 0)
    assert publish(pool, 1, place)[1].moved == 0
    fetched = tmp_path / "fetched"
    assert fetch(place, fetched, edition.digest).moved == len(there)
    assert contents(fetched) == there
    assert open_edition(fetched).digest == edition.digest
    (fetched / "index.parquet").unlink()
    (fetched / "README.md").write_text("torn")
    assert fetch(place, fetched).moved == 2
    assert contents(fetched) == there
    assert damage_at(place, edition.digest) == []


def test_a_damaged_shard_is_named_and_mended(pool: Pool, place: str, tmp_path: Path) -> None:
    publish(pool, 1, place)
    shard = next(path.name for path in sorted(pool.edition(1).glob("*.tar")))
    data = (pool.edition(1) / shard).read_bytes()
    remote = Remote(place)
    remote.remove(shard)
    remote.write_new(shard, data[:700] + bytes([data[700] ^ 1]) + data[701:])
    output = run("verify", place, "--json", code=3)
    answer = json.loads(next(line for line in output.splitlines() if line.startswith("{")))
    assert [item["file"] for item in answer["damage"]] == [shard]
    with pytest.raises(PoolError, match="is damaged") as caught:
        fetch(place, tmp_path / "fetched")
    assert shard in caught.value.where
    assert not (tmp_path / "fetched" / shard).exists()
    assert not (tmp_path / "fetched" / "manifest-sha256.txt").exists()
    assert publish(pool, 1, place)[1].moved == 1
    run("verify", place)
    remote.remove(shard)
    assert damage_at(place) == [(shard, "is missing")]


def test_what_may_not_be_published_is_not(pool: Pool, place: str, tmp_path: Path) -> None:
    publish(pool, 1, place)
    path = give(tmp_path, "dora", CC, 20, photos=1)
    accept(pool, add(pool, path, "carla", KNOWN, workers=1).digest, "carla")
    freeze(pool, "carla")
    with pytest.raises(PoolError, match="holds another edition"):
        publish(pool, 2, place)
    with pytest.raises(PoolError, match="has no edition 3"):
        publish(pool, 3, place)
    withdraw(pool, f"{AA}-2024-05-04", "carla", "")
    with pytest.raises(PoolError, match="withdrawn since"):
        publish(pool, 2, f"{place}-2")
    with pytest.raises(PoolError, match="not the edition of that digest"):
        fetch(place, tmp_path / "fetched", "0" * 64)
    assert damage_at(place, "0" * 64)[0][0] == "manifest-sha256.txt"
    with pytest.raises(PoolError, match="neither an edition nor a pool"):
        fetch(f"{place}-2", tmp_path / "fetched")


def test_a_file_damaged_here_is_not_vouched_for_there(pool: Pool, place: str) -> None:
    index = pool.edition(1) / "index.parquet"
    index.write_bytes(index.read_bytes()[:-1])
    with pytest.raises(PoolError, match="not there as it was sent"):
        publish(pool, 1, place)
    assert Remote(place).read("manifest-sha256.txt") is None


def test_a_manifest_by_a_stranger_names_nothing_outside(place: str, tmp_path: Path) -> None:
    for number, name in enumerate(("../x", "..", ".x", "/x", "a/b")):
        lines = f"{'0' * 64}  {name}\n".encode()
        remote = Remote(f"{place}-{number}")
        remote.write_new("manifest-sha256.txt", lines)
        with pytest.raises(PoolError, match="lists what no edition holds"):
            fetch(remote.url, tmp_path / "fetched")
        assert damage_at(remote.url)[0][0] == "manifest-sha256.txt"


def failing(
    store: ObjectStore, how: str, after: int, puts: list[str]
) -> Callable[[str, str], str | None]:
    """Return what makes a store fail after so many files; the names go to `puts`."""

    def meddle(method: str, path: str) -> str | None:
        if method == "PUT":
            puts.append(path.rpartition("/")[2])
        if len(puts) <= after:
            return None
        if how == "stops" and len(puts) == after + 1 and method == "PUT":
            store.stop_soon()
        return "403 Forbidden" if how == "lets nobody in" else "500 Internal Server Error"

    return meddle


@pytest.mark.parametrize("how", ["stops", "answers 500", "lets nobody in"])
def test_a_store_that_fails_in_the_middle(
    how: str, pool: Pool, store: ObjectStore, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """At the first file, the second and so on: nothing half is to be seen, and it goes on."""
    names = sorted(path.name for path in pool.edition(1).iterdir())
    for after in range(len(names)):
        store.reset()
        puts: list[str] = []

        def meddle(
            method: str, path: str, after: int = after, puts: list[str] = puts
        ) -> str | None:
            if method == "PUT":
                puts.append(path.rpartition("/")[2])
            if len(puts) <= after:
                return None
            return "403 Forbidden" if how == "lets nobody in" else "500 Internal Server Error"

        store.meddle = meddle
        if how == "stops":
            store.meddle = lambda method, path, meddle=meddle: (
                store.stop_soon() if meddle(method, path) else None
            )
        with pytest.raises(PoolError) as caught:
            publish(pool, 1, AT)
        message = f"{caught.value} {caught.value.fix}"
        assert AT in caught.value.where
        assert ("not allowed" if how == "lets nobody in" else "nothing is lost") in message
        if how == "stops":
            store.start()
            reach(store, monkeypatch)
        store.meddle = lambda method, path: None
        with pytest.raises(PoolError, match="neither an edition nor a pool"):
            fetch(AT, tmp_path / "fetched")
        assert publish(pool, 1, AT)[1].there == after
        assert damage_at(AT) == []
    assert puts[-1] == "manifest-sha256.txt"


def test_a_key_that_is_not_known_and_a_bucket_that_is_not_there(
    pool: Pool, store: ObjectStore
) -> None:
    assert "is not there" in run("publish", pool.root, 1, "s3://elsewhere/1", code=1)
    store.let_nobody_in()
    output = run("publish", pool.root, 1, AT, code=1)
    assert "is not allowed" in output
    assert "rights of the key" in output
    with pytest.raises(MissingPartError, match="cannot be reached"):
        Remote("nosuchkind://x")


def test_a_whole_pool_there_and_back(pool: Pool, place: str, tmp_path: Path) -> None:
    assert back_up(pool, place).there == 0
    assert back_up(pool, place).moved == 0
    path = give(tmp_path, "dora", CC, 20, photos=1)
    waiting = add(pool, path, "carla", KNOWN, workers=1)
    assert back_up(pool, place).moved == 2  # the archive, and the line of the journal
    anna = withdraw(pool, f"{AA}-2024-05-04", "carla", "")[0]
    back_up(pool, place)
    assert Remote(place).names("archives") == sorted(
        f"archives/{path.name}" for path in pool.archives.iterdir()
    )
    assert f"archives/{anna.digest}.zip" not in Remote(place).names()
    again = tmp_path / "again"
    fetch(place, again)
    there, here = contents(again), contents(pool.root)
    left = {f"marks/{item}.npy" for item in (waiting.digest, _digest_of(pool, BB))}
    assert here.keys() - there.keys() <= left | {"editions/NOTICE.md"}
    assert all(here[name] == data for name, data in there.items())
    findings = Findings()
    assert verify(open_pool(again), findings) == []
    assert findings.count == 0
    assert freeze(open_pool(again), "carla")[0].digest == freeze(pool, "carla")[0].digest
    with pytest.raises(PoolError, match="is a pool already"):
        fetch(place, again)


def _digest_of(pool: Pool, site: str) -> str:
    return next(e.digest for e in read_journal(pool) if e.facts.get("site") == site)


def test_what_is_damaged_in_the_copy_of_a_pool_is_named(pool: Pool, place: str) -> None:
    back_up(pool, place)
    remote = Remote(place)
    names = remote.names()
    for name in (names[0], "editions/0001/index.parquet", "editions/0001/manifest-sha256.txt"):
        sound = remote.read(name)
        assert sound is not None
        remote.remove(name)
        remote.write_new(name, sound + b"x")
        assert name in run("verify", place, code=3)
        remote.remove(name)
        assert f"{name}: is missing" in run("verify", place, code=3)
        remote.write_new(name, sound)
    run("verify", place)
    remote.remove("journal/00000002.json")
    assert "journal/00000002.json" in run("verify", place, code=3)


def test_copies_that_went_different_ways_do_not_mix(pool: Pool, place: str, tmp_path: Path) -> None:
    back_up(pool, place)
    shutil.copytree(pool.root, tmp_path / "other")
    other = open_pool(tmp_path / "other")
    path = give(tmp_path, "dora", CC, 20, photos=1)
    add(pool, path, "carla", KNOWN, workers=1)
    back_up(pool, place)
    before = {name: Remote(place).read(name) for name in Remote(place).names()}
    with pytest.raises(PoolError, match="went on by itself"):
        back_up(other, place)  # it lacks what is there
    add(other, path, "emil", KNOWN, workers=1)
    with pytest.raises(PoolError, match="went on by itself"):
        back_up(other, place)
    assert {name: Remote(place).read(name) for name in Remote(place).names()} == before


def test_of_two_who_write_at_once_the_store_lets_one(place: str) -> None:
    def write(who: int) -> bool:
        try:
            return Remote(place).write_new("journal/00000001.json", b"%d" % who)
        except PoolError as error:
            refusals.append(error.what)
            return False

    refusals: list[str] = []
    with ThreadPoolExecutor(4) as threads:
        assert sum(threads.map(write, range(8))) == 1
    assert refusals == ["is there already, and says something else"] * 7
