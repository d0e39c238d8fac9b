"""A program keeps a pool by what the verbs write to standard output, a line for each result."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pyarrow.parquet
import pytest
from typer.testing import CliRunner

from tests.pool.conftest import give
from training.verbs import app
from weedset.digests import file_digest

WHO = ("--who", "robot")


def asked(*words: object) -> list[dict[str, Any]]:
    """Return the lines of a verb of the pool."""
    done = CliRunner().invoke(app, ["pool", *map(str, words), "--json"])
    assert done.exit_code == 0, done.output
    return [json.loads(line) for line in done.stdout.splitlines()]


@pytest.mark.parametrize(
    ("sites", "said"),
    [
        (("aa",), "are empty: no model can be trained on it. A site goes whole into one part"),
        (("aa", "bb"), " is empty: "),
        (("aa", "bb", "cc"), ""),
    ],
)
def test_freezing_says_which_parts_are_empty_and_what_to_do(
    tmp_path: Path, sites: tuple[str, ...], said: str
) -> None:
    """Each of the first three sites gets a part of its own (docs/pool.md)."""
    pool = tmp_path / "pool"
    CliRunner().invoke(app, ["pool", "new", str(pool)])
    for number, site in enumerate(sites):
        path = give(tmp_path, f"giver{number}", f"s-00000000000000{site}", 10 * number)
        (added,) = asked("add", pool, path, *WHO)
        asked("accept", pool, added["digest"], *WHO)
    for is_new in (True, False):
        done = CliRunner().invoke(app, ["pool", "freeze", str(pool), *WHO, "--json"])
        record = json.loads(done.stdout)
        with (pool / "editions" / "0001" / "index.parquet").open("rb") as file:
            filled = set(pyarrow.parquet.read_table(file, columns=["split"])["split"].to_pylist())
        assert record["new"] is is_new
        assert {*record["empty_parts"], *filled} == {"train", "validation", "test"}
        assert len(filled) == len(sites) == 3 - len(record["empty_parts"])
        parts = " and ".join(record["empty_parts"])
        assert (parts in done.stderr and said in done.stderr) if said else "NOTE" not in done.stderr
        assert ("cannot be judged by it" in done.stderr) is (parts == "test")
        assert ("accept contributions of more sites" in done.stderr) is bool(said)


def test_a_program_keeps_a_pool(tmp_path: Path) -> None:
    pool = tmp_path / "pool"
    CliRunner().invoke(app, ["pool", "new", str(pool)])
    paths = [
        give(tmp_path, giver, f"s-00000000000000{site}", seed)
        for giver, site, seed in (("anna", "aa", 0), ("ben", "bb", 10), ("eve", "ee", 20))
    ]
    added = asked("add", pool, *paths, *WHO)
    assert [line["archive"] for line in added] == list(map(str, paths))
    assert [line["digest"] for line in added] == [file_digest(path) for path in paths]
    assert {line["state"] for line in added} == {"waiting"}
    first, second, third = (line["digest"] for line in added)

    (accepted,) = asked("accept", pool, first, *WHO)
    (again,) = asked("accept", pool, first, *WHO)
    assert accepted == again
    assert (accepted["state"], accepted["batch"]) == ("accepted", added[0]["batch"])
    assert accepted["letter"].startswith("To anna: ")
    asked("accept", pool, second, *WHO)
    (refused,) = asked("refuse", pool, third, *WHO, "--reason", "A face.")
    assert (refused["state"], refused["reason"]) == ("refused", "A face.")
    reviewed = {line["digest"]: line["state"] for line in asked("review", pool)}
    assert reviewed == {first: "accepted", second: "accepted", third: "refused"}

    (frozen,) = asked("freeze", pool, *WHO)
    assert (frozen["number"], frozen["new"], frozen["contributions"]) == (1, True, [first, second])
    assert asked("freeze", pool, *WHO) == [{**frozen, "new": False}]
    folder = Path(frozen["folder"])
    assert file_digest(folder / "manifest-sha256.txt") == frozen["digest"]

    exported = asked("export", folder, "--to", tmp_path / "folders")
    assert sum(line["pictures"] for line in exported) == frozen["tiles"]
    for line in exported:
        there = list((tmp_path / "folders").glob(f"*/{line.get('class', '-')}/*.jpg"))
        assert len(there) == (line["pictures"] if "class" in line else 0)

    CliRunner().invoke(app, ["pool", "look", str(pool), first, "--to", str(tmp_path / "look")])
    (corrected,) = asked("correct", pool, first, "--from", tmp_path / "look", *WHO)
    assert (corrected["changed"], corrected["confirmed"], corrected["corrections"]) == (0, 0, 0)

    (withdrawn,) = asked("withdraw", pool, first, *WHO, "--models", tmp_path)
    assert (withdrawn["state"], withdrawn["editions"], withdrawn["models"]) == (
        "withdrawn",
        [1],
        [],
    )
