"""What labels mean for learning, and how tiles are divided."""

from __future__ import annotations

import pytest
from sklearn.model_selection import GroupShuffleSplit

from weedset.errors import TrainingError
from weedset.labelling import contradiction, targets, under_checklist
from weedset.records import ANY_PLANT, Footprint, LabelledTile, Origin, Statement, Tile, Verdict
from weedset.splits import split_tiles

CLASSES = (ANY_PLANT, "CHEAL", "DAUCS", "STEME")


def statement(verdict: Verdict = Verdict.PLANTS, **fields: object) -> Statement:
    return Statement("anna", Origin.TABLE, verdict, **fields)  # type: ignore[arg-type]


def labelled(
    said: Statement, site: str = "a", photo: str = "p", taken_at: str | None = None
) -> LabelledTile:
    tile = Tile(photo, 0, 0, Footprint(0, 0, 50, 50), 0.5, 1.0, 0, 1)
    return LabelledTile(
        tile, photo, f"{site} 1", site, taken_at, frozenset({"CHEAL", "DAUCS"}), said
    )


@pytest.mark.parametrize(
    ("said", "expected"),
    [
        # CHEAL and DAUCS were looked for, STEME was not: silence about it is not absence.
        (statement(present=frozenset({"CHEAL"})), (1, 1, 0, -1)),
        (statement(present=frozenset({"STEME"})), (1, 0, 0, 1)),
        (statement(doubtful=frozenset({"DAUCS"})), (-1, 0, -1, -1)),
        # A plant left unnamed may be any of them.
        (statement(unknown_plant=True), (1, -1, -1, -1)),
        (statement(present=frozenset({"DAUCS"}), unknown_plant=True), (1, -1, 1, -1)),
        # On bare ground there is nothing at all.
        (statement(Verdict.BARE), (0, 0, 0, 0)),
        (statement(Verdict.CANNOT_TELL), (-1, -1, -1, -1)),
    ],
)
def test_silence_is_not_absence(said: Statement, expected: tuple[int, ...]) -> None:
    assert targets(labelled(said), CLASSES) == expected


@pytest.mark.parametrize(
    "said",
    [
        statement(Verdict.BARE, present=frozenset({"CHEAL"})),
        statement(Verdict.CANNOT_TELL, unknown_plant=True),
        statement(),
        statement(present=frozenset({"CHEAL"}), doubtful=frozenset({"CHEAL"})),
    ],
)
def test_statements_that_contradict_themselves_are_seen(said: Statement) -> None:
    assert contradiction(said)


def test_sites_never_straddle_a_split() -> None:
    tiles = [labelled(statement(Verdict.BARE), site=f"s{n % 7}", photo=f"p{n}") for n in range(70)]
    split = split_tiles(tiles)
    assert split.unit == "site"
    sites = [{tile.site for tile in part} for part in (split.train, split.validation, split.test)]
    assert sum(map(len, sites)) == 7
    assert set.union(*sites) == {tile.site for tile in tiles}
    # Source: scikit-learn's group splitter holds out as many groups for the same share.
    splitter = GroupShuffleSplit(1, test_size=1 / 3, random_state=0)
    _, test = next(splitter.split(tiles, groups=[tile.site for tile in tiles]))
    assert abs(len({tiles[i].site for i in test}) - len(sites[2])) <= 1
    assert split_tiles(list(reversed(tiles))).unit == "site"
    assert {t.site for t in split_tiles(list(reversed(tiles))).test} == sites[2]


def test_photos_of_one_site_are_held_out_in_a_block_of_time() -> None:
    tiles = [
        labelled(statement(Verdict.BARE), photo=f"p{9 - n}", taken_at=f"2026-05-04T10:0{n}:00")
        for n in range(9)
    ]
    split = split_tiles(tiles)
    assert split.unit == "photo"
    assert {tile.photo_name for tile in split.test} == {"p1", "p2", "p3"}
    assert len(split.train) + len(split.validation) == 6
    chosen = split_tiles(tiles, ["p9", "p5"])
    assert {tile.photo_name for tile in chosen.test} == {"p9", "p5"}


def test_too_little_to_divide_is_said() -> None:
    tiles = [labelled(statement(Verdict.BARE), photo=f"p{n}") for n in range(2)]
    with pytest.raises(TrainingError, match="too few to learn, tune and judge"):
        split_tiles(tiles)
    many = [labelled(statement(Verdict.BARE), photo=f"p{n}") for n in range(4)]
    with pytest.raises(TrainingError, match="'nobody' is no site or photo"):
        split_tiles(many, ["nobody"])
    with pytest.raises(TrainingError, match="too little is left"):
        split_tiles(many, ["p0", "p1", "p2"])


def test_what_a_checklist_gained_later_counts_neither_way() -> None:
    before = labelled(statement(present=frozenset({"CHEAL"})))
    later = under_checklist(before, ["CHEAL", "DAUCS", "STEME"])
    assert later.doubtful == {"STEME"}
    assert later.present == {"CHEAL"}
    bare = statement(Verdict.BARE)
    assert under_checklist(labelled(bare), ["STEME"]) == bare
