"""A garden to label: drawn photos whose truth is known, served as the program serves it."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image
from playwright.sync_api import Browser, Page
from starlette.testclient import TestClient

from weedset.labelstore import LabelStore, open_label_store
from weedset.records import Batch, CameraProfile
from weedset.reviewlist import ReviewItem
from weedset.server.app import make_app
from weedset.server.gate import Doors
from weedset.server.room import RoomSettings
from weedset.server.suggest import open_adviser
from weedset.settings import Workspace, create_workspace
from weedset.taxonomy import load_species
from weedset.tiling import cut_photo

CELL_PX = 32
ORIGIN = "http://127.0.0.1:8473"

CAMERA = CameraProfile("test camera", None, None, None, 50 / CELL_PX, None, None, None)

#: Green in the middle of every third cell; nothing in the others.
EVERY = 3


def drawn_photo(rows: int, cols: int, seed: int) -> NDArray[np.uint8]:
    """Draw soil with a green disc in the middle of each cell whose number is 0 modulo EVERY."""
    rng = np.random.default_rng(seed)
    soil = rng.normal((120, 90, 65), 9, (rows * CELL_PX, cols * CELL_PX, 3))
    y, x = np.mgrid[: rows * CELL_PX, : cols * CELL_PX]
    number = y // CELL_PX * cols + x // CELL_PX
    middle = np.hypot(y % CELL_PX - CELL_PX / 2, x % CELL_PX - CELL_PX / 2)
    soil[(number % EVERY == 0) & (middle < 10)] = (60, 170, 50)
    return np.clip(soil, 0, 255).astype(np.uint8)


@dataclass
class Garden:
    """A workspace with tiles; `plant_ids` are those of the cells with a disc."""

    workspace: Workspace
    ids: list[int]
    plant_ids: list[int]

    @contextmanager
    def store(self) -> Iterator[LabelStore]:
        with open_label_store(self.workspace) as store:
            yield store


MakeGarden = Callable[..., Garden]


@pytest.fixture
def make_garden(tmp_path: Path) -> MakeGarden:
    """Make a workspace of drawn photos, all of the site "long acre" unless told otherwise."""

    def make(
        rows: int = 4,
        cols: int = 6,
        photos: int = 1,
        looked_for: tuple[str, ...] = ("CHEAL", "DAUCS"),
        sites: tuple[str, ...] = ("long acre",),
        name: str = "bed{}.png",
    ) -> Garden:
        workspace = create_workspace(tmp_path / "garden", 50, CELL_PX, "drop")
        with open_label_store(workspace) as store:
            for number in range(photos):
                path = tmp_path / name.format(number)
                Image.fromarray(drawn_photo(rows, cols, number)).save(path)
                cut = cut_photo(path, CAMERA, workspace)
                assert cut is not None
                site = sites[number % len(sites)]
                batch = Batch(f"{site} 2026-05-04", site, "2026-05-04", "", "", ())
                store.add_photo(batch, cut.photo, cut.tiles)
                store.set_checklist(batch.id, looked_for)
            ids = [row[0] for row in store.tile_rows()]
            plants = [row[0] for row in store.tile_rows() if (row[2] * cols + row[3]) % EVERY == 0]
        return Garden(workspace, ids, plants)

    return make


@pytest.fixture
def garden(make_garden: MakeGarden) -> Garden:
    return make_garden()


@dataclass
class Caller:
    """The page's side of the talk, without a browser."""

    client: TestClient
    doors: Doors
    codes: list[str]

    def ask(self, path: str, status: int = 200, **body: object) -> dict[str, object]:
        answer = self.client.post(f"/api/{path}", json=body, headers={"origin": ORIGIN})
        assert answer.status_code == status, answer.text
        return answer.json()

    def cells(self, who: str = "me", way: str = "own", **body: object) -> list[dict[str, object]]:
        asked = {"only_open": True, "after": -1, "count": 400, "order": "photo"}
        asked |= {"least_green": 0.005, "sample": 400, "who": who, "way": way, **body}
        return self.ask("cells", **asked)["cells"]  # type: ignore[return-value]

    def label(
        self,
        *items: tuple[int, object, int],
        who: str = "me",
        way: str = "own",
        accepted: bool = False,
        status: int = 200,
    ) -> dict[str, object]:
        asked = [{"id": i, "statement": said, "expects": expects} for i, said, expects in items]
        return self.ask("label", status, who=who, way=way, items=asked, accepted=accepted)


def says(*present: str, verdict: str = "plants", **more: object) -> dict[str, object]:
    """Return a statement as the page sends it."""
    said = {"verdict": verdict, "present": list(present), "doubtful": []}
    return {**said, "unknown_plant": False, "stages": {}, **more}


BARE = says(verdict="bare")
CANNOT_TELL = says(verdict="cannot tell")


@contextmanager
def calling(
    garden: Garden, model: Path | None = None, review: tuple[ReviewItem, ...] | None = None
) -> Iterator[Caller]:
    """Serve a garden in this process and let a browser in."""
    codes: list[str] = []
    doors = Doors(frozenset({"127.0.0.1:8473"}), 8473, codes.append)
    adviser = open_adviser(model, garden.workspace) if model else None
    settings = RoomSettings(garden.workspace, "me", load_species(), adviser, review)
    with TestClient(make_app(settings, doors), base_url=ORIGIN) as client:
        client.get(f"/?key={doors.link_key}")
        yield Caller(client, doors, codes)


@pytest.fixture
def caller(garden: Garden) -> Iterator[Caller]:
    with calling(garden) as caller:
        yield caller


@dataclass
class Served:
    """The program `weedset label` at work, in a process of its own."""

    process: subprocess.Popen[str]
    link: str
    heard: list[str] = field(default_factory=list)

    @property
    def address(self) -> str:
        return self.link.partition("?")[0]

    def kill(self) -> None:
        """End it the hard way."""
        self.process.send_signal(signal.SIGKILL)
        self.process.wait()


def start(garden: Garden, *more: str, port: int = 0, who: str = "anna") -> Served:
    """Start the program and wait for the link that it prints; `who` labels, if not ""."""
    named = ["--annotator", who] if who else []
    program = "from weedset.cli import app; app()"
    asked = ["-w", str(garden.workspace.root), "--port", str(port), "--no-browser", *named, *more]
    process = subprocess.Popen(
        [sys.executable, "-c", program, "label", *asked],
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "OMP_NUM_THREADS": "1"},
    )
    served = Served(process, "")
    assert process.stderr is not None
    for line in process.stderr:
        served.heard.append(line)
        if found := re.search(r"http://\S+\?key=\S+", line):
            served.link = found[0]
        if "Ctrl+C" in line:
            break
    if not served.link:
        process.wait()
        process.stderr.close()
        raise AssertionError(f"weedset label did not start: {''.join(served.heard)}")
    return served


@pytest.fixture
def serve() -> Iterator[Callable[..., Served]]:
    """Start programs, and end them after the test."""
    running: list[Served] = []

    def begin(garden: Garden, *more: str, port: int = 0, who: str = "anna") -> Served:
        running.append(start(garden, *more, port=port, who=who))
        return running[-1]

    yield begin
    for served in running:
        if served.process.poll() is None:
            served.process.send_signal(signal.SIGINT)
            served.process.wait(timeout=10)
        assert served.process.stderr is not None
        served.process.stderr.close()


OpenPage = Callable[..., Page]


@pytest.fixture
def open_page(chromium: Browser) -> Iterator[OpenPage]:
    """Open the page in a browser window of its own; any script error fails the test."""
    contexts = []
    errors: list[str] = []

    def open_it(
        link: str,
        width: int = 1280,
        height: int = 800,
        touch: bool = False,
        path_only: bool = False,
    ) -> Page:
        viewport = {"width": width, "height": height}
        context = chromium.new_context(viewport=viewport, has_touch=touch)  # type: ignore[arg-type]
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(10_000)
        page.on("pageerror", lambda error: errors.append(str(error)))
        page.goto(link)
        if not path_only:
            when(page, "document.body?.dataset.ready")
        return page

    yield open_it
    for context in contexts:
        context.close()
    assert errors == []


def shown(page: Page) -> str:
    """Return the id of the cell that is in sight."""
    return str(page.evaluate("document.body.dataset.ready"))


def press(page: Page, key: str) -> None:
    """Press a key that labels or moves, and wait until the next cell is in sight."""
    before = shown(page)
    page.keyboard.press(key)
    when(page, f"document.body.dataset.ready !== {before!r}")


def when(page: Page, true: str) -> None:
    """Wait until an expression holds in the page; its policy forbids Playwright's own way."""
    wait_until(lambda: bool(page.evaluate(true)))


def wait_until(true: Callable[[], bool], seconds: float = 10) -> None:
    """Wait for something that happens outside the browser."""
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, "it did not happen in time"
        time.sleep(0.02)
