"""Editions: the same bytes each time; read back by duckdb, tarfile, sha256sum, mlcroissant."""

from __future__ import annotations

import hashlib
import io
import json
import shutil
import tarfile
import warnings
from pathlib import Path
from typing import Any

import duckdb
import pytest
from PIL import Image
from typer.testing import CliRunner

from tests.packing.forge import read_bag
from tests.pool.conftest import give
from tests.pool.test_pool_intake import killed
from weedset.cli import app
from weedset.errors import PoolError
from weedset.findings import Findings
from weedset.pool import shards
from weedset.pool.croissant import missing_fields
from weedset.pool.editions import editions, freeze
from weedset.pool.frozen import open_edition
from weedset.pool.intake import accept, add
from weedset.pool.journal import Event, read_journal
from weedset.pool.layout import Pool, create_pool, open_pool
from weedset.pool.soundness import verify
from weedset.taxonomy import load_species

KNOWN = load_species()
#: giver -> site, seed of the first photo; ben's photos are others, cleo's are ben's again
GIVERS = {"anna": ("aa", 0), "ben": ("bb", 10), "cleo": ("cc", 10), "dora": ("dd", 20)}


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A pool with four accepted contributions, of which dora's licence keeps it apart."""
    folder = tmp_path_factory.mktemp("filled")
    pool = create_pool(folder / "pool")
    for giver, (site, seed) in GIVERS.items():
        licence = "CC-BY-NC-4.0" if giver == "dora" else "CC-BY-4.0"
        path = give(folder, giver, f"s-00000000000000{site}", seed, licence=licence)
        accept(pool, add(pool, path, "carla", KNOWN, workers=1).digest, "carla")
    return folder


@pytest.fixture
def pool(filled: Path, tmp_path: Path) -> Pool:
    shutil.copytree(filled / "pool", tmp_path / "pool")
    return open_pool(tmp_path / "pool")


def rows_of(folder: Path) -> list[dict[str, Any]]:
    table = duckdb.sql(f"select * from '{folder / 'index.parquet'}'")
    return [dict(zip(table.columns, row, strict=True)) for row in table.fetchall()]


def test_freezing_twice_gives_the_same_digest(pool: Pool, filled: Path, tmp_path: Path) -> None:
    shutil.copytree(filled / "pool", tmp_path / "other")
    other = open_pool(tmp_path / "other")
    one, is_new = freeze(pool, "carla")
    again, _ = freeze(other, "dora")
    assert is_new
    assert one.digest == again.digest
    names = sorted(path.name for path in pool.edition(1).iterdir())
    for name in names:
        here, there = pool.edition(1) / name, other.edition(1) / name
        assert here.read_bytes() == there.read_bytes(), name
    assert freeze(pool, "carla") == (one, False)


def test_duckdb_and_tarfile_read_what_was_given(pool: Pool, filled: Path) -> None:
    edition, _ = freeze(pool, "carla")
    folder = pool.edition(1)
    rows = rows_of(folder)
    assert len(rows) == edition.tiles == 24  # cleo's 12 are ben's, dora's are apart
    assert {row["giver"] for row in rows} == {"anna", "ben"}
    pictures: dict[str, bytes] = {}
    for path in folder.glob("*.tar"):
        with tarfile.open(path) as tar:
            for member in tar:
                file = tar.extractfile(member)
                assert file is not None
                pictures[member.name] = file.read()
    assert len(pictures) == 48
    given = read_bag(filled / "anna.zip").files
    labels = [json.loads(line) for line in given["data/labels.jsonl"].splitlines()]
    said = {label["picture"]: label for label in labels}
    for row in rows:
        picture = pictures[f"{row['key']}.jpg"]
        assert hashlib.sha256(picture).hexdigest() == row["sha256"]
        assert Image.open(io.BytesIO(picture)).size == (row["tile_px"],) * 2
        beside = json.loads(pictures[f"{row['key']}.json"])
        assert beside == row
        assert (folder / row["shard"]).exists()
        assert row["shard"].startswith(row["split"])
        if row["giver"] == "anna":
            key = row["key"].partition("_")[2].replace("_", "/")
            assert picture == given[f"data/tiles/{key}.jpg"]
            assert row["present"] == said[key]["present"]
            assert {s["species"]: s["stage"] for s in row["stages"]} == said[key]["stages"]
            assert row["identified_by"] == said[key]["identifiedBy"]


def test_what_is_kept_apart_has_editions_of_its_own(pool: Pool) -> None:
    """Dora's non-commercial material and all else are never in one edition."""
    freeze(pool, "carla")
    apart, is_new = freeze(pool, "carla", apart=True)
    assert is_new
    assert (apart.number, apart.tiles, apart.apart) == (2, 12, True)
    assert {(row["giver"], row["licence"]) for row in rows_of(pool.edition(2))} == {
        ("dora", "CC-BY-NC-4.0")
    }
    card = (pool.edition(2) / "README.md").read_text("utf-8")
    assert "license: cc-by-nc-4.0\n" in card
    assert "This is the first edition of its kind." in card
    assert freeze(pool, "carla", apart=True) == (apart, False)
    assert freeze(pool, "carla")[0].number == 1
    assert [edition.apart for edition in editions(read_journal(pool))] == [False, True]
    done = CliRunner().invoke(app, ["pool", "editions", str(pool.root)])
    assert "material kept apart" in done.stdout.splitlines()[1]
    assert verify(pool, Findings()) == []


def test_splits_stay_from_edition_to_edition(pool: Pool, tmp_path: Path) -> None:
    freeze(pool, "carla")
    before = {row["site"]: row["split"] for row in rows_of(pool.edition(1))}
    path = give(tmp_path, "eve", "s-00000000000000ff", 30)
    accept(pool, add(pool, path, "carla", KNOWN, workers=1).digest, "carla")
    edition, _ = freeze(pool, "carla")
    after = {row["site"]: row["split"] for row in rows_of(pool.edition(2))}
    assert edition.number == 2
    assert before.items() < after.items()
    card = (pool.edition(2) / "README.md").read_text("utf-8")
    assert "Since edition 1: 1 new contribution, 0 withdrawn or left out." in card


def test_the_card_says_what_is_in_it(pool: Pool) -> None:
    freeze(pool, "carla")
    card = (pool.edition(1) / "README.md").read_text("utf-8")
    rows = rows_of(pool.edition(1))
    for split in ("train", "validation", "test"):
        assert f"| {split} | {sum(row['split'] == split for row in rows)} |" in card
    shown = sum("DAUCS" in row["present"] for row in rows)
    assert shown > 0
    line = next(line for line in card.splitlines() if line.startswith("| DAUCS"))
    assert sum(int(cell) for cell in line.split("|")[3:6]) == shown
    assert "one that came first shows the same: 12 tiles" in card
    assert "left out because of their licence: s-00000000000000dd-2024-05-04" in card
    assert "(rights: Anna, CC-BY-4.0)" in card.replace("\\", "")
    assert "CHEAL has no tile in validation" in card
    by_country = card.partition("## Tiles by country")[2].partition("##")[0].split("\n")
    assert [line for line in by_country if line] == [f"- DE: {len(rows)}"]
    assert f"nobody could name:\n{sum(row['unknown_plant'] for row in rows)}." in card


def test_mlcroissant_reads_the_description_and_the_rows(pool: Pool) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the library's own
        import mlcroissant

        freeze(pool, "carla")
        path = pool.edition(1) / "croissant.json"
        dataset = mlcroissant.Dataset(jsonld=path)
        assert dataset.metadata.ctx.issues.errors == set()
        records = list(dataset.records("tiles"))
    keys = {row["key"] for row in rows_of(pool.edition(1))}
    assert {record["tiles/key"].decode() for record in records} == keys
    table = json.loads(path.read_text("utf-8"))
    for entry in table["distribution"]:
        if entry["@type"] == "cr:FileObject":
            file = pool.edition(1) / entry["contentUrl"]
            assert hashlib.sha256(file.read_bytes()).hexdigest() == entry["sha256"]


def test_a_description_that_lacks_something_is_found() -> None:
    assert "license" in missing_fields({"name": "x", "license": ""})


def test_a_shard_that_is_full_is_followed_by_another(
    pool: Pool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """All six tiles of a photo stay together, and the index tells where each begins."""
    monkeypatch.setattr(shards, "SHARD_TILES", 5)
    freeze(pool, "carla")
    rows = rows_of(pool.edition(1))
    paths = sorted(pool.edition(1).glob("*.tar"))
    for path in paths:
        with tarfile.open(path) as tar:
            members = [item for item in tar if item.name.endswith("jpg")]
        inside = [row for row in rows if row["shard"] == path.name]
        assert len({(row["contribution"], row["photo"]) for row in inside}) == 1
        assert len(members) == 6
        assert [item.name.removesuffix(".jpg") for item in members] == [r["key"] for r in inside]
        assert [item.offset_data for item in members] == [row["offset"] for row in inside]
        assert [item.size for item in members] == [row["length"] for row in inside]
    assert len(paths) * 6 == len(rows)


def test_an_edition_is_read_anywhere_and_only_as_it_was_frozen(pool: Pool, tmp_path: Path) -> None:
    edition, _ = freeze(pool, "carla")
    taken = shutil.copytree(pool.edition(1), tmp_path / "taken")
    frozen = open_edition(taken)
    assert (frozen.digest, frozen.name) == (edition.digest, "edition 1")
    rows = list(frozen.rows())
    assert [row["key"] for row in rows] == [row["key"] for row in rows_of(taken)]
    assert {type(row["stages"]) for row in rows} == {list}
    shard = taken / rows[0]["shard"]
    data = bytearray(shard.read_bytes())
    start, end = rows[0]["offset"], rows[0]["offset"] + rows[0]["length"]
    assert hashlib.sha256(data[start:end]).hexdigest() == rows[0]["sha256"]
    data[start] ^= 1
    shard.write_bytes(data)
    with pytest.raises(PoolError, match="is not the file that was frozen"):
        open_edition(taken)
    shard.unlink()
    with pytest.raises(PoolError, match="cannot be read"):
        open_edition(taken)
    with pytest.raises(PoolError, match="is no edition"):
        open_edition(tmp_path)


def test_nothing_accepted_gives_no_edition(tmp_path: Path) -> None:
    with pytest.raises(PoolError, match="nothing that could be frozen"):
        freeze(create_pool(tmp_path / "empty"), "carla")


def test_killed_while_freezing(filled: Path, tmp_path: Path) -> None:
    """kill -9 at each step of a freeze: no half edition is told of, and the next is whole."""
    shutil.copytree(filled / "pool", tmp_path / "pool")
    whole, _ = freeze(open_pool(tmp_path / "pool"), "carla")
    steps = killed(filled / "pool", tmp_path / "k", "pool", "freeze", "POOL", "--who", "carla")
    assert steps > 15
    for n in range(1, steps + 1):
        there = open_pool(tmp_path / "k" / str(n))
        done = editions(read_journal(there))
        assert [edition.digest for edition in done] in ([], [whole.digest])
        edition, is_new = freeze(there, "carla")
        assert is_new == (not done)
        assert edition.digest == whole.digest
        assert [e.what for e in read_journal(there)].count(Event.FROZEN) == 1
        findings = Findings()
        assert [name for name in verify(there, findings) if "edition" in name] == []
        assert findings.count == 0


def test_an_edition_that_the_journal_does_not_know_is_left_alone(pool: Pool) -> None:
    """As when an older journal was put back: nothing that was frozen is written over."""
    pool.edition(1).mkdir(parents=True)
    (pool.edition(1) / "manifest-sha256.txt").write_text("another\n")
    with pytest.raises(PoolError, match="another edition"):
        freeze(pool, "carla")
    assert (pool.edition(1) / "manifest-sha256.txt").read_text() == "another\n"


def test_verify_names_what_is_damaged(pool: Pool) -> None:
    freeze(pool, "carla")
    assert CliRunner().invoke(app, ["pool", "verify", str(pool.root)]).exit_code == 0
    shard = next(iter(sorted(pool.edition(1).glob("*.tar"))))
    archive = next(iter(sorted(pool.archives.iterdir())))
    for path, harm, expected in (
        (shard, lambda data: data[:600] + b"x" + data[601:], "is damaged"),
        (archive, lambda data: data[:-1], "is damaged"),
        (pool.edition(1) / "manifest-sha256.txt", lambda data: data[65:], "is damaged"),
        (pool.edition(1) / "index.parquet", lambda data: None, "is missing"),
        (pool.journal, lambda data: data.replace(b"anna", b"enna"), "was changed"),
    ):
        sound = path.read_bytes()
        harmed = harm(sound)
        path.unlink()
        if harmed is not None:
            path.write_bytes(harmed)
        done = CliRunner().invoke(app, ["pool", "verify", str(pool.root)])
        assert done.exit_code == 3, done.output
        assert f"{path.name}" in done.output
        assert expected in done.output
        path.write_bytes(sound)
    (pool.edition(1) / "extra.txt").touch()
    done = CliRunner().invoke(app, ["pool", "verify", str(pool.root), "--json"])
    answer = json.loads(done.stdout.splitlines()[0])
    assert [item["file"] for item in answer["damage"]] == ["editions/0001/extra.txt"]


def test_leftovers_are_named_and_hurt_nothing(pool: Pool) -> None:
    (pool.archives / ".x.zip.123.part").touch()
    (pool.archives / f"{'0' * 64}.zip").touch()
    findings = Findings()
    assert verify(pool, findings) == [
        "archives/.x.zip.123.part",
        f"archives/{'0' * 64}.zip",
    ]
    assert findings.count == 0
