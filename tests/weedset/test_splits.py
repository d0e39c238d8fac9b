"""How tiles are divided: counts worked by hand, the order of sites by hashlib's SHA-256."""

from __future__ import annotations

import hashlib

import pytest

from weedset.errors import TrainingError
from weedset.records import Footprint, LabelledTile, Origin, Statement, Tile, Verdict
from weedset.splits import Split, split_tiles

BARE = Statement("anna", Origin.TABLE, Verdict.BARE)


def tile(
    photo: str, site: str = "a", taken_at: str | None = None, digest: str = "", col: int = 0
) -> LabelledTile:
    cut = Tile(digest or photo, 0, col, Footprint(0, 0, 50, 50), 0.5, 1.0, 0, 1)
    return LabelledTile(cut, photo, f"{site} 1", site, taken_at, frozenset(), BARE)


def photos(split: Split) -> list[list[str]]:
    return [[item.photo_name for item in part] for part in split.parts]


def sites(split: Split) -> list[list[str]]:
    return [sorted({item.site for item in part}) for part in split.parts]


@pytest.mark.parametrize(
    ("count", "train", "validation", "test"),
    [
        # A third of all, rounded, to judge; of the rest a fifth, rounded; at least one each.
        (3, 1, 1, 1),
        (4, 2, 1, 1),
        (8, 4, 1, 3),
        (9, 5, 1, 3),
        (12, 6, 2, 4),
        (20, 10, 3, 7),
        (30, 16, 4, 10),
    ],
)
@pytest.mark.parametrize("unit", ["site", "photo"])
def test_how_many_learn_tune_and_judge(
    unit: str, count: int, train: int, validation: int, test: int
) -> None:
    tiles = [
        tile(f"p{n:02d}", f"s{n}" if unit == "site" else "a", col=col)
        for n in range(count)
        for col in range(2)
    ]
    split = split_tiles(tiles)
    assert split.unit == unit
    assert [len(part) for part in split.parts] == [2 * train, 2 * validation, 2 * test]
    assert sorted(str(item) for part in split.parts for item in part) == sorted(map(str, tiles))


def test_sites_fall_by_the_digest_of_their_names() -> None:
    names = [f"garden {n}" for n in range(9)]
    fallen = sorted(names, key=lambda name: hashlib.sha256(name.encode("utf-8")).hexdigest())
    split = split_tiles([tile(f"p{n}", name) for n, name in enumerate(names)])
    assert sites(split) == [sorted(fallen[:5]), sorted(fallen[5:6]), sorted(fallen[6:])]


def test_photos_fall_by_site_then_time_then_name() -> None:
    tiles = [
        tile("z1", "a", "2026-05-04T10:00:00"),
        tile("y2", "a", "2026-05-04T11:00:00"),
        tile("x3", "a", "2026-05-04T12:00:00"),
        tile("w4", "b", "2026-05-04T08:00:00"),
        tile("u6", "b", "2026-05-04T09:00:00"),
        tile("v5", "b", "2026-05-04T09:00:00"),
    ]
    split = split_tiles(tiles[::-1])
    assert split.unit == "photo"
    assert photos(split) == [["x3", "y2", "z1"], ["w4"], ["v5", "u6"]]


def test_photos_of_unknown_time_come_before_the_others() -> None:
    tiles = [tile("a", taken_at="2026-05-04T10:00:00"), tile("y"), tile("z")]
    assert photos(split_tiles(tiles)) == [["y"], ["z"], ["a"]]


def test_photos_of_the_same_name_are_told_apart_by_their_digests() -> None:
    split = split_tiles([tile("p.jpg", digest=digest) for digest in "cab"])
    assert [[item.tile.photo_digest for item in part] for part in split.parts] == [
        ["a"],
        ["b"],
        ["c"],
    ]


def test_two_sites_are_too_few_to_divide_by_site() -> None:
    tiles = [tile(f"p{n}", "ab"[n % 2]) for n in range(6)]
    assert split_tiles(tiles).unit == "photo"
    assert split_tiles([*tiles, tile("p6", "c")]).unit == "site"


def test_held_out_sites_judge_and_the_others_keep_their_order() -> None:
    names = [f"garden {n}" for n in range(6)]
    tiles = [tile(f"p{n}", name) for n, name in enumerate(names)]
    split = split_tiles(tiles, ["garden 4", "garden 2"])
    rest = sorted(
        (name for name in names if name not in ("garden 2", "garden 4")),
        key=lambda name: hashlib.sha256(name.encode("utf-8")).hexdigest(),
    )
    assert sites(split) == [sorted(rest[:3]), rest[3:], ["garden 2", "garden 4"]]


def test_of_few_sites_a_whole_one_may_be_held_out() -> None:
    tiles = [tile(f"p{n}", "ab"[n % 2]) for n in range(6)]
    split = split_tiles(tiles, ["b"])
    assert photos(split) == [["p0", "p2"], ["p4"], ["p1", "p3", "p5"]]
    assert photos(split_tiles(tiles, ["b", "p0"]))[2] == ["p0", "p1", "p3", "p5"]


def test_two_must_be_left_to_learn_and_tune() -> None:
    tiles = [tile(f"p{n}") for n in range(4)]
    assert photos(split_tiles(tiles, ["p0", "p1"])) == [["p2"], ["p3"], ["p0", "p1"]]
    with pytest.raises(TrainingError) as caught:
        split_tiles(tiles, ["p0", "p1", "p2"])
    assert caught.value.what == "too little is left to learn from"
    assert caught.value.where == "held-out photos or sites"


def test_a_photo_is_no_name_where_sites_are_divided() -> None:
    tiles = [tile(f"p{n}", f"s{n}") for n in range(4)]
    with pytest.raises(TrainingError) as caught:
        split_tiles(tiles, ["p0"])
    assert caught.value.what == "'p0' is no site with labels"
    assert caught.value.fix == "sites with labels: s0, s1, s2, s3"
    with pytest.raises(TrainingError) as caught:
        split_tiles([tile(f"p{n}", f"bed-{n}") for n in range(4)], ["bd-2"])
    assert caught.value.fix == "did you mean bed-2?"
    assert caught.value.where == "--held-out"
    with pytest.raises(TrainingError) as caught:
        split_tiles([tile(f"p{n}") for n in range(4)], ["s1"])
    assert caught.value.what == "'s1' is no site or photo with labels"
    with pytest.raises(TrainingError) as caught:
        split_tiles(tiles[:2], ["p0"])
    assert caught.value.what == (
        "there are labels on 2 photos: too few to learn, tune and judge on separate ones"
    )
    assert caught.value.fix == "label at least three photos, better ten, best of several sites"
