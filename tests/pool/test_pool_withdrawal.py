"""Withdrawal: out of the next edition, older ones marked, models listed; killed at each step."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import duckdb
import pytest
from typer.testing import CliRunner

from tests.board.tiny_model import CARD, write_model
from tests.pool.conftest import give
from tests.pool.test_pool_intake import killed
from weedset.cli import app
from weedset.errors import PoolError
from weedset.findings import Findings
from weedset.pool.editions import freeze
from weedset.pool.intake import accept, add, refuse
from weedset.pool.journal import Event, read_journal
from weedset.pool.layout import Pool, create_pool, open_pool
from weedset.pool.selection import select
from weedset.pool.soundness import verify
from weedset.pool.standing import State, standings
from weedset.pool.withdrawal import models_from, withdraw
from weedset.taxonomy import load_species

KNOWN = load_species()
AA, BB, CC = "s-00000000000000aa", "s-00000000000000bb", "s-00000000000000cc"
ANNA = f"{AA}-2024-05-04"


@pytest.fixture
def pool(tmp_path: Path) -> Pool:
    """A pool with an edition of anna's and ben's, who show different ground."""
    pool = create_pool(tmp_path / "pool")
    for giver, site, seed in (("anna", AA, 0), ("ben", BB, 10)):
        item = add(pool, give(tmp_path, giver, site, seed), "carla", KNOWN, workers=1)
        accept(pool, item.digest, "carla")
    freeze(pool, "carla")
    return pool


def givers(pool: Pool, number: int) -> set[str]:
    index = pool.edition(number) / "index.parquet"
    return {row[0] for row in duckdb.sql(f"select distinct giver from '{index}'").fetchall()}


def test_the_next_edition_leaves_it_out_and_says_so(pool: Pool) -> None:
    before = (pool.edition(1) / "manifest-sha256.txt").read_bytes()
    item, held = withdraw(pool, ANNA, "carla", "Asked by letter.")
    assert item.state is State.WITHDRAWN
    assert [edition.number for edition in held] == [1]
    assert not pool.archive(item.digest).exists()
    freeze(pool, "carla")
    assert givers(pool, 2) == {"ben"}
    card = (pool.edition(2) / "README.md").read_text("utf-8")
    assert "0 new contributions, 1 withdrawn or left out" in card
    for path in pool.edition(2).iterdir():
        assert AA.encode() not in path.read_bytes(), path.name
    assert "rights: Anna" not in card
    assert (pool.edition(1) / "manifest-sha256.txt").read_bytes() == before
    assert "Edition 1 " in (pool.editions / "NOTICE.md").read_text("utf-8")
    findings = Findings()
    assert verify(pool, findings) == []
    assert findings.count == 0


def test_what_was_withdrawn_does_not_come_in_through_others(pool: Pool, tmp_path: Path) -> None:
    """Nobody else can give the pictures again; who gave them can."""
    withdraw(pool, ANNA, "carla", "")
    for giver, site in (("eve", CC), ("anna", AA)):
        path = give(tmp_path / f"again-{giver}", giver, site, photos=1)
        accept(pool, add(pool, path, "carla", KNOWN, workers=1).digest, "carla")
    chosen = select(pool)
    assert {chosen.items[place.number].giver for place in chosen.taken_back} == {"eve"}
    freeze(pool, "carla")
    assert givers(pool, 2) == {"anna", "ben"}


def test_models_that_learned_from_it_are_listed(pool: Pool, tmp_path: Path) -> None:
    _, held = withdraw(pool, ANNA, "carla", "")
    folder = tmp_path / "models"
    folder.mkdir()
    write_model(folder / "of-it.onnx", replace(CARD, edition_digest=held[0].digest))
    write_model(folder / "of-others.onnx", CARD)
    (folder / "no-model.onnx").write_bytes(b"x")
    assert [path.name for path, _ in models_from(folder, held)] == ["of-it.onnx"]


def test_what_waits_or_was_refused(pool: Pool, tmp_path: Path) -> None:
    waits = add(pool, give(tmp_path, "dora", CC, 20), "carla", KNOWN, workers=1)
    assert withdraw(pool, waits.digest, "carla", "")[1] == []
    assert freeze(pool, "carla")[0].tiles == 24
    refused = add(pool, give(tmp_path, "eve", CC, 30), "carla", KNOWN, workers=1)
    refuse(pool, refused.digest, "carla", "no")
    with pytest.raises(PoolError, match="was refused on"):
        withdraw(pool, refused.digest, "carla", "")


def test_killed_while_withdrawing(pool: Pool, tmp_path: Path) -> None:
    words = ("withdraw", "POOL", ANNA, "--who", "carla")
    steps = killed(pool.root, tmp_path / "k", "pool", *words)
    assert steps > 5
    for n in range(1, steps + 1):
        there = open_pool(tmp_path / "k" / str(n))
        (item,) = [i for i in standings(read_journal(there)).values() if i.batch == ANNA]
        if item.state is State.ACCEPTED:
            assert there.archive(item.digest).exists()
        withdraw(there, ANNA, "carla", "")
        assert not there.archive(item.digest).exists()
        assert [e.what for e in read_journal(there)].count(Event.WITHDRAWN) == 1
        assert "Edition 1 " in (there.editions / "NOTICE.md").read_text("utf-8")
        shutil.rmtree(there.root)


def test_the_verbs(pool: Pool, tmp_path: Path) -> None:
    def run(*words: object) -> str:
        done = CliRunner().invoke(app, ["pool", *map(str, words)])
        assert done.exit_code == 0, done.output
        return done.output

    assert "use a later one" not in run("editions", pool.root)
    text = run("withdraw", pool.root, ANNA, "--who", "carla", "--models", tmp_path)
    assert "To anna: " in text
    assert "edition 1 holds it" in text
    assert "use a later one" in run("editions", pool.root)
    line = json.loads(run("editions", pool.root, "--json").splitlines()[0])
    assert (line["number"], line["withdrawn"]) == (1, 1)
