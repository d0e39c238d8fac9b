"""Editions in other people's hands: loaded by the library datasets, exported for torchvision."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.pool.conftest import give
from tests.pool.test_pool_editions import rows_of
from weedset.pool.editions import freeze
from weedset.pool.intake import accept, add
from weedset.pool.layout import Pool, create_pool
from weedset.records import Origin, Statement, Verdict
from weedset.taxonomy import load_species

KNOWN = load_species()

_LOAD = """
import json, sys
from datasets import load_dataset

edition = load_dataset(sys.argv[1])
told = {}
for split, part in edition.items():
    for row in part:
        pixels = row["jpg"].convert("RGB")
        told[row["__key__"]] = {"split": split, "size": pixels.size, "row": row["json"]}
index = load_dataset("parquet", data_files=sys.argv[1] + "/index.parquet")["train"]
print(json.dumps({"tiles": told, "index": list(index)}))
"""


def late(row: int, col: int) -> Statement:
    """Say something in the last cells only, so that the first ones have empty lists."""
    if (row, col) == (1, 1):
        return Statement(
            "anna", Origin.PAGE, Verdict.PLANTS, frozenset({"CHEAL"}), frozenset({"STEME"}),
            stages=(("CHEAL", 1), ("STEME", 0)),
        )  # fmt: skip
    if (row, col) == (1, 2):
        return Statement("anna", Origin.PAGE, Verdict.PLANTS, frozenset({"CHEAL", "DAUCS"}))
    if (row, col) == (1, 0):
        return Statement("anna", Origin.PAGE, Verdict.PLANTS, unknown_plant=True)
    return Statement("anna", Origin.PAGE, Verdict.BARE)


@pytest.fixture(scope="module")
def pool(tmp_path_factory: pytest.TempPathFactory) -> Pool:
    folder = tmp_path_factory.mktemp("loading")
    pool = create_pool(folder / "pool")
    for giver, site, seed in (("anna", "aa", 0), ("ben", "bb", 10), ("cleo", "cc", 20)):
        path = give(folder, giver, f"s-00000000000000{site}", seed, say=late)
        accept(pool, add(pool, path, "carla", KNOWN, workers=1).digest, "carla")
    freeze(pool, "carla")
    return pool


def test_the_library_datasets_loads_an_edition_in_one_line(pool: Pool, tmp_path: Path) -> None:
    """In a process of its own: the library takes seconds to import, and must reach no network."""
    folder = pool.edition(1)
    home = {"HF_HOME": str(tmp_path), "HF_HUB_OFFLINE": "1", "HF_DATASETS_OFFLINE": "1"}
    done = subprocess.run(
        [sys.executable, "-c", _LOAD, str(folder)],
        capture_output=True,
        text=True,
        env={**os.environ, **home},
    )
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    rows = rows_of(folder)
    assert told["index"] == rows
    assert {key: item["row"] for key, item in told["tiles"].items()} == {r["key"]: r for r in rows}
    for row in rows:
        item = told["tiles"][row["key"]]
        assert (item["split"], item["size"]) == (row["split"], [32, 32])
    assert any(row["stages"] for row in rows)
