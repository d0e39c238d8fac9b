"""Killed with -9 in the middle of 1,000 quick labels: every acknowledged one is there."""

from __future__ import annotations

import json
import re
from collections.abc import Callable

import pytest
from playwright.sync_api import expect

from tests.page.conftest import MakeGarden, OpenPage, Served, press, wait_until

#: Presses the next key as soon as the next cell is in sight, and notes what was acknowledged.
QUICK = """() => {
  window.acknowledged = [];
  const really = window.fetch;
  window.fetch = async (path, options) => {
    const response = await really(path, options);
    if (path === '/api/label' && response.ok) {
      window.acknowledged.push(JSON.parse(options.body).items[0]);
    }
    return response;
  };
  let last = null, pressed = 0;
  const keys = ['0', '1', '2', 'c', 'u'];
  const go = () => {
    const now = document.body.dataset.ready;
    if (now !== last && now !== 'end' && pressed < 1000) {
      last = now;
      const key = keys[pressed++ % keys.length];
      document.dispatchEvent(new KeyboardEvent('keydown', { key, bubbles: true }));
    }
    if (pressed < 1000) setTimeout(go, 0);
  };
  go();
}"""


@pytest.mark.slow
def test_every_acknowledged_label_survives_a_kill(
    make_garden: MakeGarden, serve: Callable[..., Served], open_page: OpenPage
) -> None:
    garden = make_garden(rows=30, cols=40)
    served = serve(garden)
    page = open_page(served.link)
    # Keys made by a script have no target in the page: give them the body.
    page.evaluate(QUICK.replace("document.dispatchEvent", "document.body.dispatchEvent"))
    wait_until(lambda: page.evaluate("window.acknowledged.length") >= 400, seconds=60)
    served.kill()
    # Which of the two depends on whether a label was under way just then.
    expect(page.locator("#trouble")).to_contain_text(re.compile("Not saved yet|does not answer"))
    acknowledged = page.evaluate("window.acknowledged")
    assert 400 <= len(acknowledged) < 1000
    port = int(served.address.rstrip("/").rpartition(":")[2])
    again = serve(garden, port=port)
    with garden.store() as store:
        kept = {tile: history[-1].statement for tile, history in store.histories()}
    for item in acknowledged:
        said = kept[item["id"]]
        assert said is not None
        assert said.verdict == item["statement"]["verdict"], json.dumps(item)
        assert sorted(said.present) == item["statement"]["present"]
        assert said.unknown_plant == item["statement"]["unknown_plant"]
    # The window of the earlier start says so; the new link goes on with the rest.
    expect(page.locator("#trouble")).to_contain_text("earlier start")
    fresh = open_page(again.link)
    press(fresh, "0")
    with garden.store() as store:
        assert store.counts()["labelled"] == len(kept) + 1
