"""Editions in other people's hands: loaded by the library datasets, exported for torchvision."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from torchvision.datasets import ImageFolder
from typer.testing import CliRunner

from tests.pool.conftest import give
from tests.pool.test_pool_editions import rows_of
from weedset.cli import app
from weedset.errors import PoolError
from weedset.pool import folders, frozen
from weedset.pool.editions import freeze
from weedset.pool.folders import class_of, export_folders
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


@pytest.mark.parametrize("several", [False, True])
def test_torchvision_reads_the_folders(pool: Pool, tmp_path: Path, several: bool) -> None:
    """late() says bare, bare, bare; an unknown plant, one with a maybe, two: of 36 tiles."""
    edition, to = pool.edition(1), tmp_path / "folders"
    words = ["pool", "export", str(edition), "--to", str(to), *["--several"][:several]]
    done = CliRunner().invoke(app, words)
    assert done.exit_code == 0, done.output
    rows = {row["key"]: row for row in rows_of(edition)}
    seen = {}
    for split in ("train", "validation", "test"):
        part = ImageFolder(str(to / split), allow_empty=True)
        assert part.classes == ["CHEAL+DAUCS", "bare"][1 - several :]
        for path, number in part.samples:
            key = Path(path).stem
            seen[key] = part.classes[number]
            assert rows[key]["split"] == split
            shard = (edition / rows[key]["shard"]).read_bytes()
            picture = shard[rows[key]["offset"] :][: rows[key]["length"]]
            assert Path(path).read_bytes() == picture
        assert part[0][0].size == (32, 32)
    for key, row in rows.items():
        assert seen.get(key, "") == class_of(row, several)[0]
    assert len(seen) == (24 if several else 18)
    table = [json.loads(line) for line in (to / "tiles.jsonl").read_text("utf-8").splitlines()]
    assert {row["key"] for row in table} == set(rows)
    assert {row["left_out"] for row in table if not row["file"]} == {
        "a plant that may be there",
        "an unknown plant",
        *({"several plants"} if not several else ()),
    }
    assert "Anna" in (to / "EDITION.md").read_text("utf-8")


def test_an_export_is_whole_or_not_there(
    pool: Pool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(path: Path, data: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(folders, "write_whole", full)
    with pytest.raises(PoolError, match="No space left"):
        export_folders(pool.edition(1), tmp_path / "folders")
    assert list(tmp_path.iterdir()) == []
    (tmp_path / "there").mkdir()
    (tmp_path / "there" / "x").touch()
    with pytest.raises(PoolError, match="other things"):
        export_folders(pool.edition(1), tmp_path / "there")
    with pytest.raises(PoolError, match="is no edition"):
        export_folders(tmp_path / "there", tmp_path / "folders")


@pytest.mark.parametrize(
    "lie",
    [
        {"key": "../../x"},
        {"shard": "../x.tar"},
        {"split": ".."},
        {"present": ["../x"]},
        {"looked_for": ["\x1b[2J"]},
        {"verdict": "perhaps"},
        {"origin": ""},
        {"row": -1},
        {"col": 10**9},
        {"offset": -5},
        {"length": 2**62},
        {"cell_mm": float("nan")},
        {"gsd_mm_per_px": 0.0},
        {"stages": [{"species": "CHEAL", "stage": 99}]},
    ],
)
def test_a_forged_edition_writes_nowhere_else(
    pool: Pool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, lie: dict[str, object]
) -> None:
    rows = [{**row, **lie} for row in rows_of(pool.edition(1))]
    monkeypatch.setattr(frozen, "_rows_of", lambda path: iter(rows))
    with pytest.raises(PoolError, match="as none is named"):
        export_folders(pool.edition(1), tmp_path / "out" / "folders")
    assert not any(path.is_file() for path in tmp_path.rglob("*"))
