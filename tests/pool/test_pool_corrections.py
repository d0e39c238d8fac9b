"""Second looks at a contribution: a workspace of it, corrections in the journal, the edition."""

from __future__ import annotations

import io
import json
import shutil
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from tests.packing.forge import make_workspace, pack, read_bag
from tests.pool.conftest import give, give_loose
from tests.pool.test_pool_editions import rows_of
from tests.pool.test_pool_intake import killed, run
from weedset.errors import PoolError
from weedset.labelstore import Saying, open_label_store
from weedset.pool.corrections import Corrected, correct
from weedset.pool.editions import freeze
from weedset.pool.intake import accept, add, refuse
from weedset.pool.journal import Event, read_journal
from weedset.pool.layout import Pool, create_pool, open_pool
from weedset.pool.look import look_into, sheets_in
from weedset.pool.standing import standings
from weedset.pool.withdrawal import withdraw
from weedset.records import Origin, Statement, Verdict
from weedset.server.index import TileIndex
from weedset.server.pictures import Pictures
from weedset.settings import Workspace
from weedset.store import open_store
from weedset.taxonomy import load_species

KNOWN = load_species()
#: A cell that anna gave as fat hen at stage 1, chickweed doubtful, see tests.packing.forge.
CELL = "p00001/r00000c00001"
PLANT = frozenset({"BELPE"})
DAISY = Statement("carla", Origin.REVIEW, Verdict.PLANTS, PLANT, stages=(("BELPE", 2),))


@pytest.fixture
def pool(given: Path, tmp_path: Path) -> Pool:
    pool = create_pool(tmp_path / "pool")
    accept(pool, add(pool, given, "carla", KNOWN, workers=1).digest, "carla")
    return pool


@pytest.fixture
def digest(pool: Pool) -> str:
    return next(iter(standings(read_journal(pool))))


@pytest.fixture
def look(pool: Pool, digest: str, tmp_path: Path) -> Workspace:
    return look_into(pool, digest, tmp_path / "look")[0]


def decide(look: Workspace, key: str, said: Statement | None, who: str = "carla") -> None:
    """Say something in a review, as the page does; None takes it back."""
    cell = key.partition("/")[2]
    with open_label_store(look) as store:
        names = {photo.name: photo.digest for photo in store.photos()}
        wanted = (names[key.partition("/")[0]], int(cell[1:6]), int(cell[7:12]))
        (tile_id,) = (row[0] for row in store.tile_rows() if row[1:4] == wanted)
        mine = [o for o in store.history(tile_id) if (o.annotator, o.origin) == (who, "review")]
        store.say([Saying(tile_id, who, Origin.REVIEW, said, mine[-1].id if mine else 0)])


def label_of(pool: Pool, number: int, key: str = CELL) -> dict[str, object]:
    (row,) = (r for r in rows_of(pool.edition(number)) if r["key"].endswith(key.replace("/", "_")))
    return row


def test_the_workspace_shows_what_was_given(look: Workspace, given: Path) -> None:
    files = read_bag(given).files
    rows = [json.loads(line) for line in files["data/labels.jsonl"].splitlines()]
    said = {row["picture"]: row for row in rows}
    with open_store(look) as store:
        (batch,) = store.batches()
        names = {photo.digest: photo.name for photo in store.photos()}
        tiles = store.labelled_tiles()
    assert batch.looked_for == ("CHEAL", "DAUCS", "STEME")
    assert len(tiles) == len(said) == 12
    for item in tiles:
        key = f"{names[item.tile.photo_digest]}/r{item.tile.row:05d}c{item.tile.col:05d}"
        row, statement = said[key], item.statement
        assert sorted(statement.present) == row["present"]
        assert statement.annotator == row["identifiedBy"]
        assert dict(statement.stages) == row["stages"]
        archive = look.root / "tiles" / f"{item.tile.photo_digest[:24]}.tar"
        picture = archive.read_bytes()[item.tile.offset :][: item.tile.length]
        assert picture == files[f"data/tiles/{key}.jpg"]


def test_sheets_show_all_pictures_before_anything_is_accepted(tmp_path: Path) -> None:
    """Tiles, whole photos and pictures of unknown scale: a face may be in any of them."""
    pool = create_pool(tmp_path / "pool")
    path = pack(make_workspace(tmp_path), tmp_path / "all.zip", whole_photos=True)
    item = add(pool, path, "carla", KNOWN, workers=1)
    room, _ = look_into(pool, item.digest, tmp_path / "look")
    (sheet,) = sheets_in(room.root)
    with Image.open(sheet) as image:
        assert image.format == "JPEG"
        pixels = np.asarray(image.convert("RGB")).astype(int)
    # Each photo is there twice, in its tiles and as a whole, each in a quarter of the sheet.
    high, wide = pixels.shape[0] // 2, pixels.shape[1] // 2
    for quarter in (pixels[:high, :wide], pixels[high:, :wide]):
        assert quarter.std() > 20


def test_pictures_of_unknown_scale_alone_can_be_looked_at(tmp_path: Path) -> None:
    pool = create_pool(tmp_path / "pool")
    item = add(pool, give_loose(tmp_path), "carla", KNOWN, workers=1)
    room, _ = look_into(pool, item.digest, tmp_path / "look")
    assert len(sheets_in(room.root)) == 1
    with open_store(room) as store:
        assert store.counts()["tiles"] == 0


def test_the_page_shows_its_tiles_and_the_ground_around(look: Workspace) -> None:
    """The whole photo stayed with the giver, so what is around comes from other tiles."""
    with open_label_store(look) as store:
        index = TileIndex(store)
        pictures = Pictures(look, index)
        for place in range(len(index)):
            assert Image.open(io.BytesIO(pictures.tile(place))).size == (32, 32)
        assert Image.open(io.BytesIO(pictures.around(0, 1))).size == (96, 96)


def test_a_correction_goes_into_the_next_edition(pool: Pool, digest: str, look: Workspace) -> None:
    first, _ = freeze(pool, "carla")
    assert not label_of(pool, 1)["corrected"]
    assert "No label was corrected" in (pool.edition(1) / "README.md").read_text("utf-8")
    decide(look, CELL, DAISY)
    _, done = correct(pool, digest, look, "carla", "It is a daisy.")
    assert done == Corrected(1, 0)
    second, is_new = freeze(pool, "carla")
    assert is_new
    assert second.digest != first.digest
    row = label_of(pool, 2)
    assert (row["present"], row["stages"], row["doubtful"]) == (
        ["BELPE"],
        [{"species": "BELPE", "stage": 2}],
        [],
    )
    assert (row["identified_by"], row["origin"], row["corrected"]) == ("carla", "review", True)
    assert sum(row["corrected"] for row in rows_of(pool.edition(2))) == 1
    card = (pool.edition(2) / "README.md").read_text("utf-8")
    assert "1 of 12 labels were corrected" in card
    assert "- carla: 1" in card
    entry = read_journal(pool)[-2]
    assert (entry.what, entry.who, entry.reason) == (Event.CORRECTED, "carla", "It is a daisy.")
    assert label_of(pool, 1)["present"] == ["CHEAL"]  # what was frozen stays


def test_correcting_twice_changes_nothing(pool: Pool, digest: str, look: Workspace) -> None:
    decide(look, CELL, DAISY)
    correct(pool, digest, look, "carla")
    freeze(pool, "carla")
    before = pool.journal.read_bytes()
    assert correct(pool, digest, look, "dora")[1] == Corrected(0, 0)
    assert pool.journal.read_bytes() == before
    assert freeze(pool, "carla")[1] is False


def test_a_review_that_was_taken_back_puts_back_what_was_given(
    pool: Pool, digest: str, look: Workspace
) -> None:
    decide(look, CELL, DAISY)
    correct(pool, digest, look, "carla")
    decide(look, CELL, None)
    item, done = correct(pool, digest, look, "carla")
    assert done == Corrected(1, 0)
    assert item.corrections == {}
    freeze(pool, "carla")
    row = label_of(pool, 1)
    assert (row["present"], row["identified_by"], row["corrected"]) == (["CHEAL"], "anna", False)


def test_a_later_look_shows_the_correction_above_what_was_given(
    pool: Pool, digest: str, look: Workspace, tmp_path: Path
) -> None:
    decide(look, CELL, DAISY)
    correct(pool, digest, look, "carla")
    again, _ = look_into(pool, digest, tmp_path / "again")
    assert correct(pool, digest, again, "carla")[1] == Corrected(0, 0)
    with open_label_store(again) as store:
        stories = [
            [(o.annotator, o.origin) for o in history]
            for _, history in store.histories()
            if len(history) > 1
        ]
    assert stories == [[("anna", "page"), ("carla", "review")]]
    given = Statement(
        "dora", Origin.REVIEW, Verdict.PLANTS, frozenset({"CHEAL"}), frozenset({"STEME"}),
        stages=(("CHEAL", 1),),
    )  # fmt: skip
    decide(again, CELL, given, "dora")
    assert correct(pool, digest, again, "dora")[0].corrections == {}


def test_what_was_found_right_is_noted_and_freezes_nothing(
    pool: Pool, digest: str, look: Workspace
) -> None:
    freeze(pool, "carla")
    bare = Statement("carla", Origin.REVIEW, Verdict.BARE)
    decide(look, "p00001/r00000c00000", bare)
    item, done = correct(pool, digest, look, "carla")
    assert done == Corrected(0, 1)
    assert item.looked_at == {"p00001/r00000c00000"}
    assert correct(pool, digest, look, "carla")[1] == Corrected(0, 0)
    assert freeze(pool, "carla")[1] is False


def test_corrections_made_in_quarantine_count_once_it_is_accepted(
    given: Path, tmp_path: Path
) -> None:
    pool = create_pool(tmp_path / "pool")
    digest = add(pool, given, "carla", KNOWN, workers=1).digest
    look, _ = look_into(pool, digest, tmp_path / "look")
    decide(look, CELL, DAISY)
    correct(pool, digest, look, "carla")
    accept(pool, digest, "carla")
    freeze(pool, "carla")
    assert label_of(pool, 1)["present"] == ["BELPE"]


def test_what_cannot_be_corrected_says_so(
    pool: Pool, digest: str, look: Workspace, tmp_path: Path
) -> None:
    other = add(pool, give(tmp_path, "ben", "s-00000000000000bb", 10), "carla", KNOWN, workers=1)
    with pytest.raises(PoolError, match="shows no tile"):
        correct(pool, other.digest, look, "carla")  # nor where nothing was decided in it
    decide(look, CELL, DAISY)
    with pytest.raises(PoolError, match="shows no tile of this contribution"):
        correct(pool, other.digest, look, "carla")
    refuse(pool, other.digest, "carla", "no")
    with pytest.raises(PoolError, match="is refused since"):
        correct(pool, other.digest, look, "carla")
    with pytest.raises(PoolError, match="other things"):
        look_into(pool, digest, look.root)
    unknown = Statement("carla", Origin.REVIEW, Verdict.PLANTS, frozenset({"x-mine"}))
    decide(look, CELL, unknown)
    run("pool", "correct", pool.root, digest, "--from", look.root, "--who", "carla", code=1)
    withdraw(pool, digest, "carla", "")
    with pytest.raises(PoolError, match="is withdrawn since"):
        correct(pool, digest, look, "carla")


def test_killed_at_each_step_all_corrections_are_there_or_none(
    pool: Pool, digest: str, look: Workspace, tmp_path: Path
) -> None:
    decide(look, CELL, DAISY)
    decide(look, "p00002/r00001c00002", DAISY)
    words = ("pool", "correct", "POOL", digest, "--from", look.root, "--who", "carla")
    steps = killed(pool.root, tmp_path / "killed", *words)
    assert steps > 4
    seen = set()
    for n in range(1, steps + 1):
        there = open_pool(tmp_path / "killed" / str(n))
        seen.add(len(standings(read_journal(there))[digest].corrections))
        correct(there, digest, look, "carla")
        entries = read_journal(there)
        assert len(standings(entries)[digest].corrections) == 2
        assert [entry.what for entry in entries].count(Event.CORRECTED) == 1
        shutil.rmtree(there.root)
    assert seen == {0, 2}


def test_the_verbs(pool: Pool, digest: str, tmp_path: Path) -> None:
    folder = tmp_path / "seen"
    said = run("pool", "look", pool.root, digest[:8], "--to", folder)
    assert str(folder / "sheet-01.jpg") in said
    assert f"weedset status -w {folder}" in said
    assert f"weedset label -w {folder}" in run("status", "-w", folder)
    output = run("pool", "correct", pool.root, digest[:8], "--from", folder, "--who", "carla")
    assert "0 labels changed, 0 found right" in output
    lines = run("pool", "review", pool.root, "--json").splitlines()
    (line,) = (json.loads(line) for line in lines if line.startswith("{"))
    assert (line["corrections"], line["looked_at"]) == (0, 0)
