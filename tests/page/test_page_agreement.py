"""Second looks: agreement against published numbers and scikit-learn, blind samples, reviews."""

from __future__ import annotations

import numpy as np
import pytest
from playwright.sync_api import expect
from sklearn.metrics import cohen_kappa_score

from tests.page.conftest import (
    BARE,
    CANNOT_TELL,
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
from weedset.agreement import cohens_kappa
from weedset.records import Origin


def table(both: int, first: int, second: int, neither: int) -> list[tuple[int, int]]:
    return [(1, 1)] * both + [(1, 0)] * first + [(0, 1)] * second + [(0, 0)] * neither


def test_kappa_of_the_textbook_example() -> None:
    """The widely printed example of 50 grant proposals read by two people: 20, 5, 10, 15.

    From memory: kappa 0.4, standard error 0.127, 95 % interval 0.151 to 0.649.
    """
    found = cohens_kappa(table(20, 5, 10, 15))
    assert (found.count, found.same) == (50, 35)
    assert found.kappa == pytest.approx(0.4)
    assert found.low == pytest.approx(0.151, abs=5e-4)
    assert found.high == pytest.approx(0.649, abs=5e-4)


def test_kappa_tells_apart_what_plain_agreement_does_not() -> None:
    """Two tables of 60 % agreement each, from memory: kappa 0.1304 and 0.2593."""
    assert cohens_kappa(table(45, 15, 25, 15)).kappa == pytest.approx(0.1304, abs=5e-5)
    assert cohens_kappa(table(25, 35, 5, 35)).kappa == pytest.approx(0.2593, abs=5e-5)


@pytest.mark.parametrize("seed", range(8))
def test_kappa_as_scikit_learn_has_it(seed: int) -> None:
    rng = np.random.default_rng(seed)
    first = rng.integers(0, 2 + seed % 3, 80)
    second = np.where(rng.random(80) < 0.7, first, rng.integers(0, 2 + seed % 3, 80))
    pairs = list(zip(first.tolist(), second.tolist(), strict=True))
    found = cohens_kappa(pairs)
    assert found.kappa == pytest.approx(cohen_kappa_score(first, second))
    assert found.low is not None
    assert found.high is not None
    assert -1 <= found.low <= found.kappa <= found.high <= 1


def test_the_interval_covers_as_often_as_it_says() -> None:
    """Simulated: 2,000 pairs of raters with true kappa 0.6, 200 tiles; near 95 % covered."""
    rng = np.random.default_rng(1)
    covered = 0
    for _ in range(2000):
        truth = rng.random(200) < 0.5
        # Each copies a common value with probability sqrt(0.6), else guesses: kappa is 0.6.
        raters = [np.where(rng.random(200) < 0.6**0.5, truth, rng.random(200) < 0.5) for _ in "12"]
        pairs = list(zip(raters[0].tolist(), raters[1].tolist(), strict=True))
        found = cohens_kappa(pairs)
        assert found.low is not None
        assert found.high is not None
        covered += found.low <= 0.6 <= found.high
    assert 0.93 < covered / 2000 < 0.97


def test_nothing_is_said_where_there_is_nothing_to_tell_apart() -> None:
    assert cohens_kappa([]).kappa is None
    assert cohens_kappa([(0, 0)] * 9).kappa is None
    perfect = cohens_kappa([(0, 0), (1, 1)] * 9)
    assert perfect.kappa == 1
    assert perfect.low is None


def label_all(caller: Caller, garden: Garden, who: str) -> None:
    for tile in garden.ids:
        said = says("CHEAL") if tile in garden.plant_ids else BARE
        caller.label((tile, said, 0), who=who)


def test_the_blind_sample_tells_nothing(caller: Caller, garden: Garden) -> None:
    label_all(caller, garden, "anna")
    sample = caller.cells(who="ben", way="second", sample=10)
    assert len(sample) == 10
    assert all(cell["stands"] is None and cell["said"] is None for cell in sample)
    assert all(cell["suggested"] is None for cell in sample)
    assert [cell["id"] for cell in sample] != sorted(cell["id"] for cell in sample)  # type: ignore[type-var]
    again = caller.cells(who="ben", way="second", sample=10)
    assert [cell["id"] for cell in again] == [cell["id"] for cell in sample]
    answer = caller.label((sample[0]["id"], BARE, 0), who="ben", way="second")  # type: ignore[arg-type]
    assert answer["cells"][0]["stands"] is None  # type: ignore[index]
    left = caller.cells(who="ben", way="second", sample=10)
    assert len(left) == 9
    assert caller.cells(who="anna", way="second", sample=10) == []  # nobody else's labels


def test_agreement_leaves_out_what_was_left_open(caller: Caller, garden: Garden) -> None:
    label_all(caller, garden, "anna")
    one, two, three = garden.plant_ids[:3]
    four = next(tile for tile in garden.ids if tile not in garden.plant_ids)
    for tile, said in (
        (one, says("CHEAL")), (two, says(unknown_plant=True)), (three, CANNOT_TELL), (four, BARE),
    ):  # fmt: skip
        caller.label((tile, said, 0), who="ben", way="second")
    rows = {row["code"]: row for row in caller.ask("agreement")["rows"]}  # type: ignore[misc]
    assert (rows["CHEAL"]["cells"], rows["CHEAL"]["same"]) == (2, 2)
    assert (rows["bare"]["cells"], rows["bare"]["same"]) == (3, 3)
    assert rows["CHEAL"]["kappa"] == 1


def test_a_review_decides_and_keeps_the_history(caller: Caller, garden: Garden) -> None:
    label_all(caller, garden, "anna")
    tile = garden.plant_ids[0]
    caller.label((tile, says("DAUCS"), 0), who="ben", way="second")
    (cell,) = caller.cells(who="anna", way="review", only_open=False)
    assert cell["id"] == tile
    assert cell["reason"] == "2 people labelled it differently"
    before = caller.ask("agreement")
    caller.label((tile, says("DAUCS"), 0), who="anna", way="review")
    assert caller.cells(who="anna", way="review", only_open=False) == []
    # Ben sees the light afterwards: the decision stands, and agreement is what it was before.
    assert caller.ask("agreement") == before
    with garden.store() as store:
        history = store.history(tile)
        stands = {(i.tile.row, i.tile.col): i.statement for i in store.labelled_tiles()}
    assert [item.origin for item in history] == [Origin.PAGE, Origin.PAGE, Origin.REVIEW]
    assert stands[0, 0].present == {"DAUCS"}


def test_a_label_unlike_its_look_alikes_comes_up(make_garden: MakeGarden) -> None:
    garden = make_garden(rows=8, cols=12)
    with calling(garden) as caller:
        while caller.ask("progress")["looked_at"] != len(garden.ids):
            pass
        wrong = garden.plant_ids[5]
        for tile in garden.ids:
            plant = tile in garden.plant_ids and tile != wrong
            caller.label((tile, says("CHEAL") if plant else BARE, 0))
        cells = caller.cells(way="review", only_open=False)
    assert [cell["id"] for cell in cells] == [wrong]
    assert "look-alikes are CHEAL" in str(cells[0]["reason"])


def test_second_looks_in_the_browser(garden: Garden, serve: object, open_page: OpenPage) -> None:
    page = open_page(serve(garden).link)  # type: ignore[operator]
    for _ in range(6):
        press(page, "1")
    page.click("#open-second")
    page.fill("#second-who", "ben")
    page.fill("#second-count", "10")
    page.click("#start-second")
    expect(page.locator("#banner")).to_contain_text("labelled by ben")
    expect(page.locator("#ground .chip")).to_have_count(0)
    wait_until(lambda: shown(page) != "end")
    for key in "112111":
        press(page, key)
    expect(page.get_by_text("The blind sample is done")).to_be_visible()
    page.click("#to-own")
    expect(page.locator("#banner")).not_to_be_visible()
    page.click("#open-second")
    expect(page.locator("#agreement")).to_contain_text("fat hen (CHEAL)")
    page.click("#start-review")
    expect(page.locator(".opinions")).to_contain_text("ben: carrot")
    page.get_by_role("listitem").filter(has_text="anna: fat hen").get_by_role("button").click()
    expect(page.get_by_text("Nothing left to decide")).to_be_visible()
    with garden.store() as store:
        decided = [h for _, h in store.histories() if h[-1].origin is Origin.REVIEW]
    assert len(decided) == 1
    assert decided[0][-1].annotator == "anna"
    statement = decided[0][-1].statement
    assert statement is not None
    assert statement.present == {"CHEAL"}
