"""The page as a person meets it, in Chromium: keys, touch, undo, windows, reload, access."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, expect

from tests.page.conftest import Garden, MakeGarden, OpenPage, Served, press, shown, wait_until, when
from weedset.records import Origin, Statement, Verdict

Serve = Callable[..., Served]


def verdicts(garden: Garden) -> dict[int, str]:
    """Return what stands for each labelled tile, in short."""
    with garden.store() as store:
        places = {(row[1], row[2], row[3]): row[0] for row in store.tile_rows()}
        return {
            places[item.tile.photo_digest, item.tile.row, item.tile.col]: " ".join(
                sorted(item.statement.present)
            )
            or item.statement.verdict
            for item in store.labelled_tiles()
        }


def test_a_bed_is_labelled_by_keys_alone(garden: Garden, serve: Serve, open_page: OpenPage) -> None:
    page = open_page(serve(garden).link)
    page.wait_for_timeout(1500)  # until the greenness of all tiles is known
    page.reload()
    when(page, "document.body?.dataset.ready")
    for _ in garden.plant_ids:  # the green ones come first
        assert int(shown(page)) in garden.plant_ids
        press(page, "1")
    page.keyboard.press("v")
    expect(page.locator(".plot").first).to_be_visible()
    page.keyboard.press("r")
    when(page, "document.body?.dataset.ready === 'end'")
    expect(page.get_by_text("This bed is done")).to_be_visible()
    found = verdicts(garden)
    assert {tile for tile, said in found.items() if said == "CHEAL"} == set(garden.plant_ids)
    assert len(found) == len(garden.ids)


def test_a_label_is_on_the_disk_before_the_next_cell_shows(
    garden: Garden, serve: Serve, open_page: OpenPage
) -> None:
    page = open_page(serve(garden).link)
    for key, said in (("2", "DAUCS"), ("0", "bare"), ("c", "cannot tell"), ("1", "CHEAL")):
        tile = int(shown(page))
        press(page, key)
        assert verdicts(garden)[tile] == said


def test_taking_back_and_doing_again_go_all_the_way(
    garden: Garden, serve: Serve, open_page: OpenPage
) -> None:
    page = open_page(serve(garden).link)
    keys = ["1", "0", "2", "u", "c", "1", "0", "2"]
    for key in keys:
        press(page, key)
    done = verdicts(garden)
    assert len(done) == len(keys)
    for left in reversed(range(len(keys))):
        page.keyboard.press("z")
        wait_until(lambda left=left: len(verdicts(garden)) == left)
        expect(page.locator("#said")).to_contain_text("Taken back")
        page.wait_for_timeout(60)
    expect(page.locator("#undo")).to_be_disabled()
    for count in range(1, len(keys) + 1):
        page.keyboard.press("y")
        wait_until(lambda count=count: len(verdicts(garden)) == count)
        page.wait_for_timeout(60)
    assert verdicts(garden) == done
    with garden.store() as store:
        assert max(len(history) for _, history in store.histories()) == 3


def test_several_plants_and_a_stage_in_one_cell(
    garden: Garden, serve: Serve, open_page: OpenPage
) -> None:
    page = open_page(serve(garden).link)
    page.keyboard.press("g")
    page.keyboard.press("1")
    tile = int(shown(page))
    page.keyboard.press("m")
    page.keyboard.press("1")
    page.keyboard.press("2")
    page.keyboard.press("u")
    press(page, "Enter")
    with garden.store() as store:
        (said,) = store.history(tile)
    assert said.statement is not None
    assert said.statement.present == {"CHEAL", "DAUCS"}
    assert said.statement.unknown_plant
    assert said.statement.stages == (("CHEAL", 1), ("DAUCS", 1))
    assert said.origin is Origin.PAGE


def test_any_plant_is_found_by_its_name(garden: Garden, serve: Serve, open_page: OpenPage) -> None:
    page = open_page(serve(garden).link)
    tile = int(shown(page))
    page.keyboard.press("p")
    page.keyboard.type("vogelmiere")
    expect(page.locator("#found [role=option]").first).to_contain_text("Stellaria media")
    page.keyboard.press("Enter")
    when(page, f"document.body?.dataset.ready !== '{tile}'")
    assert verdicts(garden)[tile] == "STEME"
    expect(page.locator(".marker[data-code=STEME]")).to_be_visible()
    press(page, "3")  # it has a key of its own now


def test_saving_an_empty_form_says_what_is_missing_and_no_label_is_taken(
    make_garden: MakeGarden, serve: Serve, open_page: OpenPage
) -> None:
    garden = make_garden(looked_for=())
    page = open_page(serve(garden, who="").link)
    page.click("#save-batch")
    expect(page.locator("#said")).to_have_text(
        "Saved. Still missing: the checklist, the licence, the giver, who is labelling."
    )
    expect(page.locator("#batch")).not_to_be_visible()
    for key in ("0", "1", "u"):
        page.keyboard.press(key)
        expect(page.locator("#batch")).to_be_visible()
        page.keyboard.press("Escape")
        expect(page.locator("#batch")).not_to_be_visible()
    page.keyboard.press("v")
    expect(page.locator(".plot").first).to_be_visible()
    page.keyboard.press("r")
    expect(page.locator("#batch")).to_be_visible()
    assert verdicts(garden) == {}


def look_for(page: Page, *codes: str) -> None:
    """Type plants into the form's field, as fast as a browser takes it."""
    page.focus("#look-for")
    for count, code in enumerate(codes, 1):
        page.keyboard.type(code)
        page.keyboard.press("Enter")
        expect(page.locator("#checklist li")).to_have_count(count)


@pytest.mark.parametrize("way", ["Escape", "Close", "cancel"])
def test_what_was_typed_into_the_form_is_not_lost_without_a_word(
    make_garden: MakeGarden, serve: Serve, open_page: OpenPage, way: str
) -> None:
    """By Esc, by the ✕, and by a browser that closes a dialog whatever the page says."""

    def leave() -> None:
        if way == "Close":
            page.locator("#batch .close").click()
        elif way == "Escape":
            page.keyboard.press("Escape")
        else:
            page.evaluate("document.getElementById('batch').close()")

    garden = make_garden(looked_for=())
    page = open_page(serve(garden, who="").link)
    look_for(page, "STEME", "DAUCS")
    page.fill("#who", "carla")
    leave()
    expect(page.locator("#batch-failure")).to_contain_text("Not saved yet")
    expect(page.locator("#keep-changes")).to_be_focused()
    page.keyboard.press("Escape")  # back to the form, all still there
    expect(page.locator("#keep-changes")).to_have_count(0)
    expect(page.locator("#checklist li")).to_have_count(2)
    expect(page.locator("#who")).to_have_value("carla")
    leave()
    page.click("#keep-changes")
    expect(page.locator("#batch")).not_to_be_visible()
    when(page, "document.querySelectorAll('.marker').length === 2")
    press(page, "1")
    assert list(verdicts(garden).values()) == ["STEME"]
    with garden.store() as store:
        assert {said.annotator for _, history in store.histories() for said in history} == {"carla"}


def test_what_was_typed_can_be_thrown_away_on_purpose(
    garden: Garden, serve: Serve, open_page: OpenPage
) -> None:
    page = open_page(serve(garden).link)
    page.click("#open-batch")
    page.keyboard.press("Escape")  # nothing was changed: nothing is asked
    expect(page.locator("#batch")).not_to_be_visible()
    page.click("#open-batch")
    page.fill("#giver", "someone")
    page.keyboard.press("Escape")
    page.click("#throw-away")
    expect(page.locator("#batch")).not_to_be_visible()
    page.click("#open-batch")
    expect(page.locator("#giver")).to_have_value("")


def test_the_checklist_of_another_batch_is_offered_and_not_taken(
    make_garden: MakeGarden, serve: Serve, open_page: OpenPage
) -> None:
    garden = make_garden(photos=2, sites=("long acre", "tin shed"), looked_for=())
    with garden.store() as store:
        first, second = store.batches()
        store.set_checklist(first.id, ("DAUCS", "CHEAL"))
    page = open_page(serve(garden).link)
    page.click("#open-batch")
    page.select_option("#which-batch", second.id)
    expect(page.locator("#checklist li")).to_have_count(0)
    expect(page.locator("#same-plants")).to_contain_text(f"The same as in {first.site}, 2026-05-04")
    page.click("#same-plants")
    expect(page.locator("#checklist li")).to_have_count(2)
    expect(page.locator("#same-plants")).to_be_hidden()
    page.click("#save-batch")
    expect(page.locator("#batch")).to_be_hidden()
    with garden.store() as store:
        found = {batch.id: set(batch.looked_for) for batch in store.batches()}
    assert found == {key: {"DAUCS", "CHEAL"} for key in (first.id, second.id)}


def test_a_plant_half_typed_is_pointed_out(
    make_garden: MakeGarden, serve: Serve, open_page: OpenPage
) -> None:
    page = open_page(serve(make_garden(looked_for=())).link)
    page.fill("#look-for", "carr")
    page.click("#save-batch")
    expect(page.locator("#batch-failure")).to_contain_text("“carr” is not on the list yet")
    expect(page.locator("#look-for")).to_be_focused()


def test_the_page_asks_once_who_labels_and_me_is_no_answer(
    garden: Garden, serve: Serve, open_page: OpenPage
) -> None:
    served = serve(garden, who="")
    page = open_page(served.link)
    expect(page.locator("#who")).to_be_focused()
    expect(page.locator("#who")).to_have_value("")
    page.keyboard.press("Escape")
    page.keyboard.press("1")  # no label without a name
    expect(page.locator("#batch")).to_be_visible()
    page.fill("#who", "Me")
    page.keyboard.press("Enter")
    expect(page.locator("#batch-failure")).to_contain_text("“Me” names nobody")
    page.fill("#who", "carla")
    page.keyboard.press("Enter")
    expect(page.locator("#tally")).to_contain_text("labelling as carla")
    press(page, "1")
    page.reload()
    when(page, "document.body?.dataset.ready")
    expect(page.locator("#batch")).not_to_be_visible()
    press(page, "1")
    with garden.store() as store:
        said = [item.annotator for _, history in store.histories() for item in history]
    assert said == ["carla", "carla"]


def test_labels_without_a_name_are_nobodys(
    garden: Garden, serve: Serve, open_page: OpenPage
) -> None:
    with garden.store() as store:
        digest = store.photos()[0].digest
        store.add_statements([((digest, 0, 0), Statement("me", Origin.TABLE, Verdict.BARE))])
    page = open_page(serve(garden).link)
    page.click("#open-walk")
    page.check("#order-photo")
    page.check("#show-all")
    page.get_by_role("button", name="Go on in this order").click()
    expect(page.locator("#facts")).to_contain_text("labelled by someone unnamed")


def test_another_browser_offers_the_name_and_still_asks(
    garden: Garden, serve: Serve, open_page: OpenPage
) -> None:
    served = serve(garden, "--phone", who="")
    page = open_page(served.link)
    page.fill("#who", "carla")
    page.keyboard.press("Enter")
    expect(page.locator("#tally")).to_contain_text("labelling as carla")
    press(page, "1")
    other = open_page(served.address + "enter", path_only=True)
    code = next(line for line in served.heard if "code" in line).rpartition("code ")[2].strip()
    other.fill("#code", "000000" if code != "000000" else "111111")
    other.click("button")
    expect(other.locator("#wrong")).to_be_visible()
    other.fill("#code", code)
    other.click("button")
    when(other, "document.body?.dataset.ready")
    expect(other.locator("#who")).to_have_value("carla")
    expect(other.locator("#save-batch")).to_be_visible()


def test_markers_keep_the_order_in_which_they_were_entered(
    make_garden: MakeGarden, serve: Serve, open_page: OpenPage
) -> None:
    page = open_page(serve(make_garden(looked_for=())).link)
    look_for(page, "STEME", "DAUCS", "CHEAL")
    page.click("#save-batch")
    markers = "[...document.querySelectorAll('.marker')].map((one) => one.dataset.code).join()"
    when(page, f"{markers} === 'STEME,DAUCS,CHEAL'")
    page.reload()
    when(page, "document.body?.dataset.ready")
    assert page.evaluate(markers) == "STEME,DAUCS,CHEAL"


@pytest.mark.parametrize(("width", "height"), [(1280, 800), (390, 844), (360, 640), (1024, 600)])
def test_a_cell_is_shown_square_and_a_sheet_whole(
    make_garden: MakeGarden, serve: Serve, open_page: OpenPage, width: int, height: int
) -> None:
    """What is drawn out shows no true plant; what is out of sight must not be swept off."""
    garden = make_garden(rows=12, cols=12)
    page = open_page(serve(garden).link, width=width, height=height)
    box = page.locator("#ground .shade").bounding_box()
    assert box is not None
    assert box["width"] == pytest.approx(box["height"], abs=1)
    page.keyboard.press("v")
    expect(page.locator(".plot").first).to_be_visible()
    outside = page.evaluate(
        """() => {
            const bed = document.getElementById("bed").getBoundingClientRect();
            return [...document.querySelectorAll(".plot")]
                .map((plot) => plot.getBoundingClientRect())
                .filter((box) => box.bottom > bed.bottom + 1 || box.right > bed.right + 1
                    || Math.abs(box.width - box.height) > 1).length;
        }"""
    )
    assert outside == 0


def test_many_plants_leave_the_answers_in_sight(
    make_garden: MakeGarden, serve: Serve, open_page: OpenPage
) -> None:
    codes = ("CHEAL", "DAUCS", "STEME", "POAAN", "TAROF", "LACSA", "SONOL", "SENVU", "GALAP",
             "CAPBP", "LAMPU", "MERAN", "URTUR", "POLAV")  # fmt: skip
    page = open_page(serve(make_garden(looked_for=codes)).link)
    for answer in ("bare", "unknown", "tell"):
        box = page.locator(f"#answers [data-answer={answer}]").bounding_box()
        steps = page.locator(".steps").bounding_box()
        assert box is not None
        assert steps is not None
        assert box["y"] + box["height"] <= steps["y"]
    expect(page.locator("#markers")).to_have_class("markers many more")


def test_a_key_without_a_marker_says_so(garden: Garden, serve: Serve, open_page: OpenPage) -> None:
    page = open_page(serve(garden).link)
    page.keyboard.press("9")
    expect(page.locator("#said")).to_have_text("There is no marker 9; p names any plant.")
    assert verdicts(garden) == {}


def test_green_cells_are_swept_off_only_when_asked(
    garden: Garden, serve: Serve, open_page: OpenPage
) -> None:
    page = open_page(serve(garden).link)
    page.wait_for_timeout(1500)  # until the greenness of all tiles is known
    page.keyboard.press("v")
    expect(page.locator(".plot").first).to_be_visible()
    page.keyboard.press("r")
    expect(page.locator("#sweeping-title")).to_have_text("8 of these 24 are green: sweep them?")
    page.keyboard.press("Escape")
    assert verdicts(garden) == {}
    page.keyboard.press("r")
    page.click("#sweep-dull")
    wait_until(lambda: len(verdicts(garden)) == 16)
    expect(page.locator("#said")).to_contain_text("Saved")  # the page knows of it too
    assert not verdicts(garden).keys() & set(garden.plant_ids)
    page.keyboard.press("r")
    expect(page.locator("#sweeping-title")).to_have_text("All these 8 are green: sweep them?")
    page.click("#sweep-all")
    when(page, "document.body?.dataset.ready === 'end'")
    assert set(verdicts(garden).values()) == {"bare"}


def test_a_held_key_labels_one_cell_only(garden: Garden, serve: Serve, open_page: OpenPage) -> None:
    page = open_page(serve(garden).link)
    page.keyboard.down("0")
    for _ in range(5):
        page.keyboard.down("0")  # what a held key sends
    page.keyboard.up("0")
    page.wait_for_timeout(300)
    assert len(verdicts(garden)) == 1


def test_labelling_by_touch_on_a_narrow_phone(
    garden: Garden, serve: Serve, open_page: OpenPage
) -> None:
    page = open_page(serve(garden).link, width=360, height=740, touch=True)
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    tile = shown(page)
    page.locator(".marker[data-code=DAUCS]").tap()
    when(page, f"document.body?.dataset.ready !== '{tile}'")
    tile = shown(page)
    page.get_by_role("button", name="No plant").tap()
    when(page, f"document.body?.dataset.ready !== '{tile}'")
    wait_until(lambda: sorted(verdicts(garden).values()) == ["DAUCS", "bare"])
    page.locator("#undo").tap()
    wait_until(lambda: list(verdicts(garden).values()) == ["DAUCS"])
    page.get_by_role("button", name="Stand back").tap()
    expect(page.locator(".plot").first).to_be_visible()
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    page.locator(".plot").nth(0).tap()
    page.locator(".plot").nth(2).tap()
    page.locator(".marker[data-code=CHEAL]").tap()
    wait_until(lambda: sorted(verdicts(garden).values()) == ["CHEAL", "CHEAL", "DAUCS"])
    page.locator(".marker[data-code=DAUCS]").tap()  # nothing picked: the marker is in hand
    page.locator(".plot:not(.done)").nth(0).tap()
    wait_until(lambda: sorted(verdicts(garden).values()).count("DAUCS") == 2)


@pytest.mark.parametrize("width", [360, 800])
def test_everything_to_be_tapped_is_large_enough(
    garden: Garden, serve: Serve, open_page: OpenPage, width: int
) -> None:
    """At least 24 x 24 CSS px: WCAG 2.2, success criterion 2.5.8; ours are 40 and more."""
    page = open_page(serve(garden).link, width=width, height=740, touch=True)
    small = page.evaluate(
        """() => [...document.querySelectorAll('button, input, select, summary')]
            .filter((b) => b.offsetParent && Math.min(b.offsetWidth, b.offsetHeight) < 40)
            .map((b) => b.outerHTML.slice(0, 80))"""
    )
    assert small == []


@pytest.mark.parametrize(("width", "height"), [(640, 400), (390, 844), (360, 640), (1280, 800)])
def test_no_word_leaves_its_button(
    garden: Garden, serve: Serve, open_page: OpenPage, width: int, height: int
) -> None:
    """640 x 400 is a screen of 1280 x 800 zoomed to 200 % (WCAG 2.2, 1.4.4)."""
    page = open_page(serve(garden).link, width, height)
    press(page, "1")  # so that something can be taken back
    outside = page.evaluate(
        """() => [...document.querySelectorAll(".answers button, .steps button")]
            .filter((button) => button.scrollWidth > button.clientWidth)
            .map((button) => button.textContent)"""
    )
    assert outside == []


def test_what_it_says_moves_nothing_under_the_thumb(
    garden: Garden, serve: Serve, open_page: OpenPage
) -> None:
    page = open_page(serve(garden).link, 390, 844, touch=True)
    page.tap("#stand-button")
    answers = page.locator("#answers")
    page.tap(".marker")
    expect(page.locator("#said")).to_contain_text("in hand: tap each cell")
    before = answers.bounding_box()
    page.tap(".marker")
    expect(page.locator("#said")).to_have_text("Put back.")
    assert answers.bounding_box() == before


def test_picking_by_drawing_over_cells(garden: Garden, serve: Serve, open_page: OpenPage) -> None:
    page = open_page(serve(garden).link)
    press(page, "0")
    page.keyboard.press("v")
    first, last = page.locator(".plot").nth(0), page.locator(".plot").nth(3)
    expect(first).to_be_visible()
    a, b = first.bounding_box(), last.bounding_box()
    assert a is not None
    assert b is not None
    page.mouse.move(a["x"] + 20, a["y"] + 20)
    page.mouse.down()
    page.mouse.move(b["x"] + 20, b["y"] + 20, steps=12)
    page.mouse.up()
    expect(page.locator(".plot[aria-pressed=true]")).to_have_count(4)
    page.keyboard.press("2")
    wait_until(lambda: list(verdicts(garden).values()).count("DAUCS") == 4)
    page.keyboard.press("z")  # one stroke, one step back
    wait_until(lambda: list(verdicts(garden).values()).count("DAUCS") == 0)


def test_two_windows_at_once(garden: Garden, serve: Serve, open_page: OpenPage) -> None:
    served = serve(garden, "--phone")
    one = open_page(served.link)
    other = open_page(served.address + "enter", path_only=True)
    tile = shown(one)
    code = next(line for line in served.heard if "code" in line).rpartition("code ")[2].strip()
    other.fill("#code", code)
    other.click("button")
    when(other, "document.body?.dataset.ready")
    assert shown(other) == tile
    press(one, "1")
    other.keyboard.press("2")
    expect(other.locator("#trouble")).to_contain_text("another window")
    assert verdicts(garden)[int(tile)] == "CHEAL"
    expect(other.locator("#ground .chip")).to_contain_text("fat hen")
    press(other, "2")  # seen, and replaced on purpose
    assert verdicts(garden)[int(tile)] == "DAUCS"
    with garden.store() as store:
        assert len(store.history(int(tile))) == 2


def test_reload_in_the_middle(garden: Garden, serve: Serve, open_page: OpenPage) -> None:
    page = open_page(serve(garden).link)
    for key in ("1", "0", "1"):
        press(page, key)
    before = verdicts(garden)
    page.reload()
    when(page, "document.body?.dataset.ready")
    assert int(shown(page)) not in before
    assert verdicts(garden) == before
    press(page, "0")
    assert len(verdicts(garden)) == 4


def test_a_damaged_tile_shows_as_such_and_stops_nothing(
    garden: Garden, serve: Serve, open_page: OpenPage
) -> None:
    with garden.store() as store:
        rows = list(store.tile_rows())
    (archive,) = (garden.workspace.root / "tiles").iterdir()
    data = bytearray(archive.read_bytes())
    for row in rows[:2]:  # one torn, one zeroed
        data[row[4] : row[4] + row[5]] = bytes(row[5])
    archive.write_bytes(data[: rows[-1][4] + 10])
    page = open_page(serve(garden).link)
    expect(page.locator("#ground .broken")).to_be_visible()
    for _ in rows:
        if shown(page) != "end":
            press(page, "c")
    assert len(verdicts(garden)) == len(rows)


HOSTILE = "<img src=x onerror=alert(1)>\u202e'\"\U0001f331&amp;"


def test_hostile_names_are_text(make_garden: MakeGarden, serve: Serve, open_page: OpenPage) -> None:
    garden = make_garden(name="<img src=x onerror=1>\u202e'\"\U0001f331{}.png")
    page = open_page(serve(garden, who="<b>anna</b>").link)
    alerts: list[str] = []
    page.on("dialog", lambda dialog: alerts.append(dialog.message))
    expect(page.locator("#facts")).to_contain_text("<img src=x onerror=1>\u202e'\"\U0001f331")
    press(page, "1")
    page.click("#open-batch")
    page.fill("#giver", HOSTILE.replace("\u202e", ""))
    page.click("#save-batch")
    expect(page.locator("#batch")).not_to_be_visible()
    page.click("#open-batch")
    expect(page.locator("#giver")).to_have_value(HOSTILE.replace("\u202e", ""))
    assert page.locator("img[src=x]").count() == 0
    assert alerts == []


def test_a_workspace_open_already_is_said(garden: Garden, serve: Serve) -> None:
    serve(garden)
    with pytest.raises(AssertionError, match="is open for labelling already"):
        serve(garden)


def serious(page: Page) -> list[str]:
    """Return what axe-core finds serious or critical."""
    found = Axe().run(page).response["violations"]
    return [
        f"{item['id']}: {item['nodes'][0]['html'][:120]}"
        for item in found
        if item["impact"] in ("serious", "critical")
    ]


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_nothing_serious_stands_in_anyones_way(
    garden: Garden, serve: Serve, chromium: Browser, scheme: str
) -> None:
    context = chromium.new_context(
        color_scheme=scheme,  # type: ignore[arg-type]
        viewport={"width": 1100, "height": 800},
        bypass_csp=True,
    )
    page = context.new_page()
    page.goto(serve(garden, "--phone").link)
    when(page, "document.body?.dataset.ready")
    findings = {"kneel": serious(page)}
    press(page, "1")
    page.keyboard.press("ArrowLeft")
    page.keyboard.press("g")
    findings["stage"] = serious(page)
    page.keyboard.press("Escape")
    findings["labelled"] = serious(page)
    page.keyboard.press("v")
    expect(page.locator(".plot").first).to_be_visible()
    page.keyboard.press(" ")
    findings["stand"] = serious(page)
    sheets = ("open-batch", "open-walk", "open-progress", "open-second", "open-help")
    for sheet in sheets:
        page.click(f"#{sheet}")
        expect(page.locator("dialog[open]")).to_be_visible()
        findings[sheet] = serious(page)
        page.keyboard.press("Escape")
    page.click("#open-batch")
    page.fill("#look-for", "gras")
    expect(page.locator("#look-found [role=option]").first).to_be_visible()
    findings["searching"] = serious(page)
    page.keyboard.press("Escape")
    expect(page.locator("#throw-away")).to_be_visible()
    findings["leaving"] = serious(page)
    page.click("#throw-away")
    page.keyboard.press("p")
    page.keyboard.type("gras")
    page.wait_for_timeout(300)
    findings["picker"] = serious(page)
    page.get_by_role("button", name="Close").click()
    page.keyboard.press("Escape")  # let go of what is picked
    while shown(page) != "end":
        before = shown(page)
        page.keyboard.press("r")
        sweep_all = page.locator("#sweep-all")
        when(
            page,
            f"""document.body.dataset.ready !== {before!r}
            || document.querySelector("#sweeping[open]")""",
        )
        if sweep_all.is_visible():
            findings["sweeping"] = serious(page)
            sweep_all.click()
            when(page, f"document.body.dataset.ready !== {before!r}")
    findings["finish"] = serious(page)
    page.goto(page.url + "enter?wrong")
    findings["enter"] = serious(page)
    context.close()
    assert {name: found for name, found in findings.items() if found} == {}


def test_everything_is_reached_by_tab_and_named(
    garden: Garden, serve: Serve, open_page: OpenPage
) -> None:
    page = open_page(serve(garden).link)
    unnamed = page.evaluate(
        """() => [...document.querySelectorAll('button')]
            .filter((b) => !(b.textContent.trim() || b.getAttribute('aria-label')))
            .map((b) => b.outerHTML)"""
    )
    assert unnamed == []
    reached = set()
    for _ in range(40):
        page.keyboard.press("Tab")
        reached.add(page.evaluate("document.activeElement.textContent.trim().slice(0, 12)"))
    assert {"Kneel", "Stand back", "No plant: ba", "Next →"} <= {item[:12] for item in reached}
