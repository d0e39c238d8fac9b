"""Labels by the page's own talk: saved whole, taken back, kept in history, never overwritten."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from tests.page.conftest import BARE, CANNOT_TELL, Caller, Garden, MakeGarden, calling, says
from weedset.errors import StoreError
from weedset.labelling import newest_opinions, standing_opinion, targets
from weedset.labelstore import Saying
from weedset.records import Opinion, Origin, Statement, Verdict
from weedset.store import open_store


def standing(garden: Garden) -> dict[int, Statement]:
    """Read the store as every other verb does."""
    with garden.store() as store:
        places = {(row[1], row[2], row[3]): row[0] for row in store.tile_rows()}
        return {
            places[item.tile.photo_digest, item.tile.row, item.tile.col]: item.statement
            for item in store.labelled_tiles()
        }


def test_a_label_is_what_every_other_verb_reads(caller: Caller, garden: Garden) -> None:
    one, two, three = garden.ids[:3]
    several = says("CHEAL", "DAUCS", unknown_plant=True, stages={"CHEAL": 1})
    caller.label((one, several, 0), (two, BARE, 0), who="anna")
    caller.label((three, CANNOT_TELL, 0))
    found = standing(garden)
    assert found[one] == Statement(
        "anna", Origin.PAGE, Verdict.PLANTS, frozenset({"CHEAL", "DAUCS"}),
        unknown_plant=True, stages=(("CHEAL", 1),),
    )  # fmt: skip
    assert found[two].verdict is Verdict.BARE
    assert found[three] == Statement("me", Origin.PAGE, Verdict.CANNOT_TELL)
    with open_store(garden.workspace) as store:
        assert store.counts()["labelled"] == 3


def test_taking_back_leaves_the_tile_unlabelled_and_the_history_whole(
    caller: Caller, garden: Garden
) -> None:
    tile = garden.ids[0]
    first = caller.label((tile, BARE, 0))["cells"][0]  # type: ignore[index]
    taken_back = caller.label((tile, None, first["mine"]))["cells"][0]  # type: ignore[index]
    assert taken_back["stands"] is None
    assert standing(garden) == {}
    with open_store(garden.workspace) as store:
        assert store.counts()["labelled"] == 0
        assert [item.statement is None for item in store.history(tile)] == [False, True]
    caller.label((tile, says("CHEAL"), taken_back["mine"]))
    assert standing(garden)[tile].present == {"CHEAL"}
    with open_store(garden.workspace) as store:
        assert len(store.history(tile)) == 3


def test_another_window_is_not_overwritten_unseen(caller: Caller, garden: Garden) -> None:
    one, two = garden.ids[:2]
    caller.label((one, BARE, 0))
    answer = caller.label((two, says("CHEAL"), 0), (one, says("CHEAL"), 0), status=409)
    assert answer["tile_ids"] == [one]
    found = standing(garden)
    assert found[one].verdict is Verdict.BARE
    assert two not in found  # all or none


def test_sending_the_same_again_is_no_conflict(caller: Caller, garden: Garden) -> None:
    """A page that did not hear the answer sends its label once more."""
    tile = garden.ids[0]
    first = caller.label((tile, BARE, 0))["cells"][0]  # type: ignore[index]
    again = caller.label((tile, BARE, 0))["cells"][0]  # type: ignore[index]
    assert first["mine"] == again["mine"]


def test_nothing_is_labelled_before_the_checklist(make_garden: MakeGarden) -> None:
    garden = make_garden(looked_for=())
    with calling(garden) as caller:
        answer = caller.label((garden.ids[0], BARE, 0), status=400)
        assert "which plants you look for" in str(answer["what"])
        assert standing(garden) == {}


def test_the_store_itself_takes_no_label_before_the_checklist(make_garden: MakeGarden) -> None:
    garden = make_garden(looked_for=())
    said = Statement("me", Origin.PAGE, Verdict.BARE)
    with garden.store() as store:
        saying = Saying(garden.ids[0], "me", Origin.PAGE, said, 0)
        with pytest.raises(StoreError, match="which plants you look for"):
            store.say([saying])
        store.extend_checklist("long acre 2026-05-04", ["CHEAL"])
        assert store.say([saying])


def test_a_checklist_emptied_under_way_stops_the_labels(caller: Caller, garden: Garden) -> None:
    caller.ask("batch", **form(looked_for=[]))
    for way in ("own", "second", "review"):
        caller.label((garden.ids[0], BARE, 0), way=way, status=400)
    assert standing(garden) == {}


def form(**changes: object) -> dict[str, object]:
    filled = {"batch": "long acre 2026-05-04", "site": "long acre", "taken_on": "2026-05-04"}
    return {**filled, "looked_for": ["CHEAL", "DAUCS"], **changes}


def test_a_species_added_later_was_not_looked_for_before(caller: Caller, garden: Garden) -> None:
    early, late = garden.ids[:2]
    caller.label((early, says("CHEAL"), 0))
    caller.ask("batch", **form(looked_for=["CHEAL", "DAUCS", "STEME"]))
    caller.label((late, says("CHEAL"), 0))
    with garden.store() as store:
        first, second = store.labelled_tiles()
    assert first.looked_for == {"CHEAL", "DAUCS"}
    assert second.looked_for == {"CHEAL", "DAUCS", "STEME"}
    assert targets(first, ["STEME"]) == (-1,)
    assert targets(second, ["STEME"]) == (0,)


def test_a_species_is_not_taken_off_the_checklist_under_labels(
    caller: Caller, garden: Garden
) -> None:
    caller.ask("batch", **form(looked_for=["CHEAL", "DAUCS", "STEME"]))
    caller.ask("batch", **form())
    caller.label((garden.ids[0], BARE, 0))
    answer = caller.ask("batch", 400, **form(looked_for=["CHEAL"]))
    assert "stays on the checklist" in str(answer["what"])


def test_the_batch_form_says_what_is_missing(caller: Caller, garden: Garden) -> None:
    (batch,) = caller.ask("start")["batches"]  # type: ignore[misc]
    assert [words.partition(":")[0] for words in batch["missing"]] == ["the licence", "the giver"]
    filled = form(site="mill lane", taken_on="2026-05-05", giver="anna", licence="CC-BY-4.0")
    answer = caller.ask("batch", **filled)
    assert answer["batch"]["missing"] == []  # type: ignore[index]
    assert answer["batch"]["id"] == "mill lane 2026-05-05"  # type: ignore[index]
    caller.label((garden.ids[0], BARE, 0))
    with garden.store() as store:
        (batch,) = store.batches()
        assert (batch.site, batch.taken_on, batch.giver) == ("mill lane", "2026-05-05", "anna")
        assert [item.site for item in store.labelled_tiles()] == ["mill lane"]


def test_a_batch_cannot_become_another(make_garden: MakeGarden) -> None:
    garden = make_garden(photos=2, sites=("long acre", "mill lane"))
    with calling(garden) as caller:
        answer = caller.ask("batch", 400, **form(site="mill lane"))
        assert "another batch" in str(answer["what"])
        for wrong in ({"taken_on": "4.5.26"}, {"site": "<b>"}, {"licence": "MINE"}):
            caller.ask("batch", 400, **form(**wrong))


def test_a_day_to_come_is_refused(caller: Caller) -> None:
    later = (date.today() + timedelta(days=2)).isoformat()
    answer = caller.ask("batch", 400, **form(taken_on=later))
    assert "future" in str(answer["what"])
    caller.ask("batch", **form(taken_on=date.today().isoformat()))


def test_progress_counts_species_sites_and_what_to_photograph_next(
    make_garden: MakeGarden,
) -> None:
    garden = make_garden(photos=3, sites=("long acre", "mill lane", "orchard"))
    one_each = [garden.ids[0], garden.ids[24], garden.ids[48]]
    with calling(garden) as caller:
        for tile in one_each:
            caller.label((tile, says("CHEAL", stages={"CHEAL": 6}), 0))
        last = caller.label((garden.ids[1], says("DAUCS"), 0))["cells"][0]  # type: ignore[index]
        found = caller.ask("progress")
        assert (found["tiles"], found["open"], found["plants"]) == (72, 68, 4)
        cheal, daucs = found["species"]  # type: ignore[misc]
        assert (cheal["code"], cheal["cells"], cheal["sites"]) == ("CHEAL", 3, 3)
        assert any("seedlings" in words for words in cheal["wanted"])
        assert "2 more sites" in daucs["wanted"]
        caller.label((garden.ids[1], None, last["mine"]))
        found = caller.ask("progress")
        assert found["species"][1]["cells"] == 0  # type: ignore[index]
    with calling(garden) as caller:  # counted anew from the store: the same
        assert caller.ask("progress")["species"] == found["species"]


def test_labels_of_another_program_are_taken_in(caller: Caller, garden: Garden) -> None:
    with garden.store() as store:
        key = next((row[1], row[2], row[3]) for row in store.tile_rows())
        store.add_statements([(key, Statement("anna", Origin.TABLE, Verdict.BARE))])
    caller.ask("start")
    assert len(caller.cells()) == len(garden.ids) - 1


def opinion(number: int, who: str, said: Verdict | None, origin: Origin = Origin.PAGE) -> Opinion:
    statement = Statement(who, origin, said) if said else None
    return Opinion(number, who, origin, "2026-05-04T10:00:00+00:00", statement)


def test_the_newest_stands_unless_a_review_decided() -> None:
    bare, tell, review = Verdict.BARE, Verdict.CANNOT_TELL, Origin.REVIEW
    history = [opinion(1, "anna", bare), opinion(2, "ben", tell)]
    assert standing_opinion(history) == history[1]
    history += [opinion(3, "anna", bare, review), opinion(4, "ben", tell)]
    assert standing_opinion(history) == history[2]
    assert [item.id for item in newest_opinions(history)] == [1, 3, 4]
    history += [opinion(5, "anna", None, review)]
    assert standing_opinion(history) == history[3]
    history += [opinion(6, "ben", None)]
    assert standing_opinion(history) == history[0]
    assert standing_opinion([*history, opinion(7, "anna", None)]) is None
