"""Orders that save work, and suggestions that stay suggestions until a person accepts them."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from playwright.sync_api import expect

from tests.board.tiny_model import other_card, write_model
from tests.page.conftest import (
    BARE,
    Caller,
    Garden,
    MakeGarden,
    OpenPage,
    calling,
    press,
    says,
    shown,
    wait_until,
)
from weedset.errors import ModelError
from weedset.records import Origin
from weedset.server.looks import FEATURES, excess_green, features, green_share
from weedset.server.orders import bare_last, look_alikes, unsure_first, varied_first
from weedset.server.suggest import open_adviser, too_coarse

#: Answers of the tiny model: DAUCS 0.7 + 0.015 (G - R) of the mean colour, the others little.
TELLS_GREEN = np.array([[-0.005, 0, 0], [-0.015, 0.015, 0], [-0.005, 0, 0], [-0.005, 0, 0]])


def looked_at(caller: Caller) -> Caller:
    """Wait until the pixels of all tiles are known."""
    end = time.monotonic() + 20
    while True:
        found = caller.ask("progress")
        cells = caller.cells(only_open=False)
        if found["looked_at"] == found["tiles"] and all(cell["suggested"] for cell in cells):
            return caller
        if found["looked_at"] == found["tiles"] and caller.ask("start")["model"] is None:
            return caller
        assert time.monotonic() < end
        time.sleep(0.02)


@pytest.fixture
def advised(garden: Garden, tmp_path: Path) -> Iterator[Caller]:
    card = other_card(held_out=("long acre",))
    model = write_model(tmp_path / "tiny.onnx", card, TELLS_GREEN, bias=0.7)
    with calling(garden, model) as caller:
        yield looked_at(caller)


def test_leaf_is_told_from_soil_grit_and_bluish_plastic() -> None:
    """By hand: chromatic coordinates of each colour in the two formulas of the docstring."""
    for colour, leaf in (
        ((60, 170, 50), True),  # r .214 g .607 b .179: ExG .821, ExGR 1.129
        ((120, 90, 65), False),  # r .436 g .327 b .236: ExG -.018
        ((200, 160, 90), False),  # r .444 g .356 b .200: ExG .067, ExGR -.200
        ((90, 115, 125), False),  # r .273 g .348 b .379: ExG .045, ExGR .011
        ((3, 9, 2), False),  # too dark
    ):
        tile = np.full((8, 8, 3), colour, np.uint8)
        assert green_share(excess_green(tile)) == float(leaf), colour


def test_green_cells_come_first_and_the_rest_last(caller: Caller, garden: Garden) -> None:
    cells = looked_at(caller).cells(order="bare last")
    found = [cell["id"] for cell in cells]
    assert found[: len(garden.plant_ids)] == garden.plant_ids
    assert sorted(found) == garden.ids
    kept = caller.cells(order="photo")
    assert [cell["id"] for cell in kept] == garden.ids


def test_bare_last_keeps_the_order_otherwise_and_unknown_counts_as_green() -> None:
    green = np.array([0.0, 0.3, np.nan, 0.001, 0.2], np.float32)
    assert bare_last(np.arange(5), green, 0.005).tolist() == [1, 2, 4, 0, 3]
    assert unsure_first(np.arange(5), green).tolist() == [1, 4, 3, 0, 2]


def groups() -> tuple[np.ndarray, np.ndarray]:
    """Three kinds of tiles, far apart, 50 of each, shuffled."""
    rng = np.random.default_rng(3)
    kinds = rng.permutation(np.repeat([0, 1, 2], 50))
    centres = rng.normal(0, 1, (3, FEATURES)) * 5
    vectors = centres[kinds] + rng.normal(0, 0.05, (150, FEATURES))
    return kinds, vectors.astype(np.float16)


def test_varied_first_shows_every_kind_at_once() -> None:
    kinds, vectors = groups()
    order = varied_first(np.arange(150), vectors)
    assert sorted(order.tolist()) == list(range(150))
    assert set(kinds[order[:3]].tolist()) == {0, 1, 2}


def test_look_alikes_lie_together() -> None:
    kinds, vectors = groups()
    order = look_alikes(np.arange(150), vectors)
    assert sorted(order.tolist()) == list(range(150))
    changes = int((np.diff(kinds[order]) != 0).sum())
    assert changes <= 12  # at most one per group of about twelve; shuffled it is about 100


@pytest.mark.parametrize("count", [0, 1, 5])
def test_few_or_unknown_tiles_are_ordered_too(count: int) -> None:
    unknown = np.full((count, FEATURES), np.nan, np.float16)
    for sort in (varied_first, look_alikes):
        assert sorted(sort(np.arange(count), unknown).tolist()) == list(range(count))


def test_the_same_plant_elsewhere_in_the_tile_looks_the_same() -> None:
    def tile(x: int, y: int, colour: tuple[int, int, int]) -> np.ndarray:
        pixels = np.full((48, 48, 3), (120, 90, 65), np.uint8)
        pixels[y : y + 14, x : x + 14] = colour
        return pixels

    def look(pixels: np.ndarray) -> np.ndarray:
        return features(pixels, excess_green(pixels)).astype(float)

    here, there = look(tile(2, 2, (60, 170, 50))), look(tile(34, 34, (60, 170, 50)))
    other = look(tile(2, 2, (150, 110, 90)))
    assert np.linalg.norm(here - there) < np.linalg.norm(here - other) / 3


def test_suggestions_are_no_labels(advised: Caller, garden: Garden) -> None:
    cells = advised.cells()
    for cell in cells:
        said = cell["suggested"]["statement"]  # type: ignore[index]
        expected = ["DAUCS"] if cell["id"] in garden.plant_ids else []
        assert said["present"] == expected
        assert cell["stands"] is None
    with garden.store() as store:
        assert store.labelled_tiles() == []


def test_an_accepted_suggestion_says_so_and_a_changed_one_does_not(
    advised: Caller, garden: Garden
) -> None:
    tile, other, own = garden.plant_ids[:3]
    advised.label((tile, says("DAUCS"), 0), accepted=True)
    advised.label((other, says("CHEAL"), 0), accepted=True)
    advised.label((own, says("DAUCS"), 0))
    with garden.store() as store:
        origins = [store.history(item)[0].origin for item in (tile, other, own)]
        assert store.history(tile)[0].annotator == "me"
    assert origins == [Origin.SUGGESTION, Origin.PAGE, Origin.PAGE]


def test_a_model_for_other_cells_is_refused(garden: Garden, tmp_path: Path) -> None:
    model = write_model(tmp_path / "m.onnx", other_card(cell_mm=20.0), TELLS_GREEN, bias=0.7)
    with (
        pytest.raises(ModelError, match=r"cells of 20 mm, not of 50 mm"),
        calling(garden, model),
    ):
        pass


def test_the_unsure_come_first_or_are_not_offered(
    advised: Caller, garden: Garden, make_garden: MakeGarden
) -> None:
    cells = advised.cells(order="unsure")
    sureness = [cell["suggested"]["sureness"] for cell in cells]  # type: ignore[index]
    assert sureness == sorted(sureness)
    assert "unsure" in advised.ask("start")["orders"]  # type: ignore[operator]


def test_without_a_model_there_is_no_unsure(caller: Caller) -> None:
    assert "unsure" not in caller.ask("start")["orders"]  # type: ignore[operator]
    asked = {"who": "me", "way": "own", "only_open": True, "after": -1, "count": 5}
    answer = caller.ask("cells", 400, **asked, order="unsure", least_green=0.005)
    assert "no model" in str(answer["what"])


def test_photos_too_coarse_for_a_model_are_counted(garden: Garden, tmp_path: Path) -> None:
    for gsd_max, coarse in ((50 / 32, 0), (0.5, 1)):  # the garden's photo: 32 px for 50 mm
        card = other_card(gsd_max_mm_per_px=gsd_max)
        model = write_model(tmp_path / f"{coarse}.onnx", card, TELLS_GREEN, bias=0.7)
        assert too_coarse(open_adviser(model, garden.workspace), garden.workspace) == coarse


def test_accepting_a_sheet_of_sure_suggestions_and_taking_it_back(
    garden: Garden, tmp_path: Path, serve: object, open_page: OpenPage
) -> None:
    model = write_model(tmp_path / "tiny.onnx", other_card(), TELLS_GREEN, bias=0.7)
    page = open_page(serve(garden, "--model", str(model)).link)  # type: ignore[operator]
    wait_until(lambda: page.locator("#accept").count() == 1 or bool(page.reload()))
    assert int(shown(page)) in garden.plant_ids
    press(page, "Enter")  # the first one alone
    page.keyboard.press("v")
    expect(page.locator(".plot .guess").first).to_be_visible()
    page.fill("#least", "0.78")
    page.locator("#least").press("Tab")
    page.click("#accept-all")

    def accepted() -> list[int]:
        with garden.store() as store:
            return [
                tile
                for tile, history in store.histories()
                if history[-1].statement and history[-1].origin is Origin.SUGGESTION
            ]

    wait_until(lambda: accepted() == garden.plant_ids)
    page.keyboard.press("z")
    wait_until(lambda: accepted() == garden.plant_ids[:1])


def test_doubts_come_from_a_model_that_never_saw_the_tile(advised: Caller, garden: Garden) -> None:
    wrong = garden.plant_ids[1]
    for tile in garden.ids:
        right = says("DAUCS") if tile in garden.plant_ids else BARE
        advised.label((tile, BARE if tile == wrong else right, 0))
    (cell,) = advised.cells(way="review", only_open=False)
    assert cell["id"] == wrong
    assert "look-alikes" in str(cell["reason"]) or "model" in str(cell["reason"])
