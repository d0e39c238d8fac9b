"""How quick the labelling page is with 100,000 tiles, and what a label costs as tiles grow.

Run it with `make bench`. It prints; it asserts no time. Aims: first sheet under 1 s, key to
next tile under 50 ms for 95 of 100 keys, server under 300 MB, cost per label flat.
"""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path
from statistics import median, quantiles
from time import perf_counter

import pytest
from PIL import Image

from tests.page.conftest import (
    BARE,
    CAMERA,
    CELL_PX,
    Garden,
    OpenPage,
    Served,
    calling,
    drawn_photo,
    when,
)
from weedset.digests import bytes_digest
from weedset.labelstore import open_label_store
from weedset.records import Batch
from weedset.settings import create_workspace, tile_archive
from weedset.tiling import cut_photo

pytest_plugins = ["tests.page.conftest"]

_ROWS, _COLS = 25, 40

#: Presses the next key `pause` ms after the cell before came into sight; returns how long
#: each took from key to the next cell painted.
_KEYS = """async ([count, pause]) => {
  const took = [];
  const rest = (ms) => new Promise((done) => setTimeout(done, ms));
  for (let i = 0; i < count; i += 1) {
    await rest(pause);
    const before = document.body.dataset.ready;
    const begin = performance.now();
    const key = ['0', '1', '2'][i % 3];
    document.body.dispatchEvent(new KeyboardEvent('keydown', { key, bubbles: true }));
    while (document.body.dataset.ready === before) {
      await new Promise((done) => { const c = new MessageChannel(); c.port1.onmessage = done; c.port2.postMessage(0); });
    }
    took.push(performance.now() - begin);
  }
  return took;
}"""  # noqa: E501


def large_garden(folder: Path, photos: int) -> Garden:
    """Make a workspace of `photos` times 1,000 tiles: one cut photo, under many digests."""
    workspace = create_workspace(folder, 50, CELL_PX, "drop")
    picture = folder / "bed.png"
    Image.fromarray(drawn_photo(_ROWS, _COLS, 1)).save(picture)
    cut = cut_photo(picture, CAMERA, workspace)
    assert cut is not None
    batch = Batch("long acre 2026-05-04", "long acre", "2026-05-04", "", "", ())
    with open_label_store(workspace) as store:
        for number in range(photos):
            digest = bytes_digest(str(number).encode())
            photo = replace(cut.photo, digest=digest, name=f"bed{number:04d}.png")
            tiles = [replace(tile, photo_digest=digest) for tile in cut.tiles]
            os.link(tile_archive(workspace, cut.photo.digest), tile_archive(workspace, digest))
            store.add_photo(batch, photo, tiles)
        store.set_checklist(batch.id, ["CHEAL", "DAUCS"])
        ids = [row[0] for row in store.tile_rows()]
    return Garden(workspace, ids, [])


def memory_mb(process_id: int) -> float:
    """Return the most memory that a process has held."""
    for line in Path(f"/proc/{process_id}/status").read_text().splitlines():
        if line.startswith("VmHWM"):
            return int(line.split()[1]) / 1024
    raise AssertionError("no VmHWM")


@pytest.mark.benchmark
def test_page_with_100_000_tiles(tmp_path: Path, serve: object, open_page: OpenPage) -> None:
    garden = large_garden(tmp_path / "garden", 100)
    begin = perf_counter()
    served: Served = serve(garden)  # type: ignore[operator]
    print(f"\nserver up after {perf_counter() - begin:.2f} s with {len(garden.ids)} tiles")
    page = open_page(served.link)
    page.keyboard.press("v")
    when(page, "document.querySelectorAll('.plot').length > 10")
    begin = perf_counter()
    page.reload()
    when(
        page,
        "document.querySelectorAll('.plot').length > 10 && "
        "[...document.querySelectorAll('.plot img')].every((image) => image.complete)",
    )
    print(f"first sheet, all pictures: {perf_counter() - begin:.2f} s")
    page.keyboard.press("v")
    when(page, "document.getElementById('ground').dataset.cell")
    for pause in (200, 0):
        took = page.evaluate(_KEYS, [300, pause])
        p95 = quantiles(took, n=20)[-1]
        print(f"key to next tile, {pause} ms rest: median {median(took):.1f} ms, p95 {p95:.1f} ms")
    print(f"server memory at most: {memory_mb(served.process.pid):.0f} MB")


@pytest.mark.benchmark
def test_cost_per_label_as_tiles_grow(tmp_path: Path) -> None:
    cost: dict[int, float] = {}
    for photos in (1, 10, 100):
        garden = large_garden(tmp_path / str(photos), photos)
        with calling(garden) as caller:
            took = []
            for tile in garden.ids[:300]:
                begin = perf_counter()
                caller.label((tile, BARE, 0))
                took.append(perf_counter() - begin)
        cost[len(garden.ids)] = median(took)
    least = min(cost.values())
    shown = ", ".join(f"{tiles}: {each / least:.2f}" for tiles, each in cost.items())
    print(f"\ncost per label by number of tiles, in multiples of the cheapest: {shown}")
