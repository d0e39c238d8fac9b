"""A list of tiles to look at again: read back, shown in its order, decided with history."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from playwright.sync_api import expect

from tests.page.conftest import (
    BARE,
    Caller,
    Garden,
    MakeGarden,
    OpenPage,
    calling,
    says,
    start,
    wait_until,
)
from weedset.errors import LabelError
from weedset.records import Origin
from weedset.reviewlist import ReviewItem, read_review_list, write_review_list

ITEM = ReviewItem("ab" * 32, 3, 4, "the others say DAUCS (DAUCS, 0.97 sure)", "cd" * 32)


def test_a_list_reads_back_as_it_was_written(tmp_path: Path) -> None:
    path = tmp_path / "list.jsonl"
    items = (ITEM, ReviewItem("ef" * 32, 0, 0, "looks like hardly any other tile"))
    write_review_list(path, items)
    assert read_review_list(path) == items
    lines = [json.loads(line) for line in path.read_text("utf-8").splitlines()]
    assert lines[0] == {"schema": "weedset review list", "version": 1}
    with pytest.raises(LabelError, match="cannot be written"):
        write_review_list(path / "below" / "x", items)


@pytest.mark.parametrize(
    ("name", "value", "what"),
    [
        ("photo", "ab", "row 2: photo: is no SHA-256"),
        ("contribution", "../x", "row 2: contribution: is no SHA-256"),
        ("row", -1, "row 2: row: is -1, should be at least 0"),
        ("col", 1.5, "row 2: col"),
        ("reason", "x\x1b[2J", "row 2: reason: should be at most 300 printable"),
        ("reason", "x" * 301, "row 2: reason: should be at most 300 printable"),
        ("more", 1, "row 2: more: is not a known field"),
    ],
)
def test_a_bad_list_names_row_and_field(
    tmp_path: Path, name: str, value: object, what: str
) -> None:
    path = tmp_path / "list.jsonl"
    write_review_list(path, (ITEM,))
    head, row = path.read_text("utf-8").splitlines()
    path.write_text(head + "\n" + json.dumps({**json.loads(row), name: value}) + "\n")
    with pytest.raises(LabelError) as caught:
        read_review_list(path)
    assert what in str(caught.value)


@pytest.mark.parametrize("text", ["", "no json\n", '{"schema": "another", "version": 1}\n'])
def test_what_is_no_list_is_refused(tmp_path: Path, text: str) -> None:
    path = tmp_path / "list.jsonl"
    path.write_text(text)
    with pytest.raises(LabelError):
        read_review_list(path)


def listed(garden: Garden, ids: list[int]) -> tuple[ReviewItem, ...]:
    """Return a list of tiles by id, with one that is not in this workspace."""
    with garden.store() as store:
        places = {row[0]: row[1:4] for row in store.tile_rows()}
    here = tuple(ReviewItem(*places[i], f"why {i}") for i in ids)
    return (*here[:1], ITEM, *here[1:])


def label_all(caller: Caller, garden: Garden) -> None:
    for tile in garden.ids:
        caller.label((tile, says("CHEAL") if tile in garden.plant_ids else BARE, 0), who="anna")


def test_the_list_comes_in_its_order_and_what_is_decided_goes(garden: Garden) -> None:
    wanted = [garden.ids[7], garden.ids[2], garden.ids[11]]
    with calling(garden, review=listed(garden, wanted)) as caller:
        label_all(caller, garden)
        (batch,) = caller.ask("start")["batches"]  # type: ignore[misc]
        assert caller.ask("start")["listed"] == {batch["id"]: 3}  # type: ignore[index]
        cells = caller.cells(way="review", only_open=False)
        assert [cell["id"] for cell in cells] == wanted
        assert [cell["reason"] for cell in cells] == [f"why {i}" for i in wanted]
        caller.label((wanted[0], says("DAUCS"), 0), who="carla", way="review")
        left = caller.cells(way="review", only_open=False)
        assert [cell["id"] for cell in left] == wanted[1:]
    with garden.store() as store:
        history = store.history(wanted[0])
    assert [(item.annotator, item.origin) for item in history] == [
        ("anna", Origin.PAGE),
        ("carla", Origin.REVIEW),
    ]


def test_without_a_list_nothing_is_listed(caller: Caller) -> None:
    assert caller.ask("start")["listed"] is None


def test_a_list_opens_in_the_browser_and_goes_on_with_the_next_batch(
    make_garden: MakeGarden, tmp_path: Path, serve: object, open_page: OpenPage
) -> None:
    garden = make_garden(photos=2, sites=("long acre", "mill lane"))
    path = tmp_path / "list.jsonl"
    half = len(garden.ids) // 2
    write_review_list(path, listed(garden, [garden.ids[3], garden.ids[half + 3]]))
    with calling(garden) as caller:
        label_all(caller, garden)
    page = open_page(serve(garden, "--review", str(path), who="carla").link)  # type: ignore[operator]
    expect(page.locator("#banner")).to_contain_text("Review, decided by carla")
    expect(page.locator(".opinions")).to_contain_text(f"why {garden.ids[3]}")
    page.keyboard.press("2")
    page.click("#next-listed")
    expect(page.locator(".opinions")).to_contain_text(f"why {garden.ids[half + 3]}")
    page.get_by_role("listitem").filter(has_text="anna: ").get_by_role("button").click()
    expect(page.get_by_text("Nothing left to decide")).to_be_visible()
    wait_until(lambda: len(decided(garden)) == 2)
    assert [item[-1].annotator for item in decided(garden)] == ["carla", "carla"]


def decided(garden: Garden) -> list[list[object]]:
    with garden.store() as store:
        return [h for _, h in store.histories() if h[-1].origin is Origin.REVIEW]  # type: ignore[misc]


def test_a_list_that_cannot_be_read_is_told_before_the_page_opens(
    garden: Garden, tmp_path: Path
) -> None:
    with pytest.raises(AssertionError, match="there is no such file"):
        start(garden, "--review", str(tmp_path / "none.jsonl"))
