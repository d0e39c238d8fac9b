"""Draw every picture of the README and of docs/ anew, from what `make demo` leaves.

`make pictures` runs it (Chromium is needed, as for the tests of the page). All photos in the
pictures are drawn by sample_data. Look at what came out before you commit it.
"""

from __future__ import annotations

import csv
import os
import re
import shutil
import signal
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from PIL import Image
from playwright.sync_api import Browser, Page, sync_playwright

from sample_data.demo import HELD_OUT
from weedset.importers.masks import LEAST_SHARE, MaskRule, mask_statements, read_meanings
from weedset.settings import open_workspace
from weedset.store import open_store
from weedset.taxonomy import load_species

HERE = Path(__file__).resolve().parent
PICTURES = (
    "decisions.jpg", "report.png", "glance.jpg", "tiles.jpg", "labelling.png", "standing.jpg",
)  # fmt: skip

#: The garden whose photos are shown being labelled, and what its gardener looked for.
_SITE, _LOOKED_FOR = "hill-terrace", "CHEAL,DAUCS,LACSA,POAAN,STEME,TAROF"

#: Rows of cells of its first photo that have labels already, and the cells before the one shown.
_LABELLED_ROWS, _LABELLED_COLS = 2, 4

_WIDTH_PX = 1000


def main(demo: Path) -> None:
    """Draw all pictures into docs/; `demo` is the folder that `make demo` left."""
    with tempfile.TemporaryDirectory() as name:
        work = Path(name)
        draw_decisions(demo, work)
        draw_report(demo)
        draw_garden(demo, work)


def draw_decisions(demo: Path, work: Path) -> None:
    """Draw what the demo's model decides on a photo of a garden that it never saw."""
    garden = demo / "gardens" / HELD_OUT[0]
    weedset("classify", garden / "IMG_0003.jpg", "--model", demo / "demo.onnx", "--camera",
            garden / "camera.toml", "--policy", demo / "policy.toml",
            "--overlay", work / "seen")  # fmt: skip
    (drawn,) = (work / "seen").glob("*.jpg")
    save_smaller(drawn, HERE / "decisions.jpg")


def draw_report(demo: Path) -> None:
    """Draw the beginning of the report on the demo's model."""
    with chromium() as browser:
        page = browser.new_page(viewport={"width": 1000, "height": 1180})
        page.goto((demo / "report.html").as_uri())
        page.screenshot(path=HERE / "report.png")


def draw_garden(demo: Path, work: Path) -> None:
    """Draw a garden being tiled, labelled and packed."""
    garden, room = demo / "gardens" / _SITE, work / "garden"
    photos = work / "photos"
    photos.mkdir()
    for number in (1, 2):
        shutil.copy(garden / f"IMG_000{number}.jpg", photos)
    weedset("new", room)
    weedset("tile", photos, "--camera", garden / "camera.toml", "--site", _SITE, "-w", room,
            "--giver", "weedset demo", "--licence", "CC0-1.0")  # fmt: skip
    weedset("quality", "-w", room, "--sheet", work / "glance.jpg")
    save_smaller(work / "glance.jpg", HERE / "glance.jpg")
    label(demo, room, ["IMG_0001.jpg"], begun)
    draw_page(room)
    batch = label(demo, room, ["IMG_0001.jpg", "IMG_0002.jpg"], lambda _row, _col: True)
    weedset("describe", batch, "-w", room, "--rights-holder", "weedset demo",
            "--consent", "Drawn by a program.")  # fmt: skip
    weedset("pack", batch, "-w", room, "--out", work / "given.zip", "--preview")
    save_smaller(work / "given-sheet-01.jpg", HERE / "tiles.jpg")


def begun(row: int, col: int) -> bool:
    """Tell whether a cell has its label already where the page is shown."""
    return row < _LABELLED_ROWS or (row == _LABELLED_ROWS and col < _LABELLED_COLS)


def label(demo: Path, room: Path, photos: Sequence[str], wanted: Callable[[int, int], bool]) -> str:
    """Label the wanted cells by the truth that came with the drawing; return the batch."""
    with (demo / "gardens" / "species.csv").open(encoding="utf-8") as file:
        values = [f"{row['value']}={row['code']}" for row in csv.DictReader(file)]
    rule = MaskRule(read_meanings(["0=ground", *values], load_species()), LEAST_SHARE)
    with open_store(open_workspace(room)) as store:
        (batch,) = store.batches()
        store.set_checklist(batch.id, _LOOKED_FOR.split(","))
        for photo in [photo for photo in store.photos() if photo.name in photos]:
            mask = demo / "gardens" / _SITE / "masks" / f"{Path(photo.name).stem}_mask.png"
            store.add_statements(
                ((digest, row, col), statement)
                for (digest, row, col), statement in mask_statements(mask, photo, rule, "me")
                if wanted(row, col)
            )
    return batch.id


def draw_page(room: Path) -> None:
    """Draw the labelling page, kneeling and standing back."""
    with served(room) as link, chromium() as browser:
        page = browser.new_page(viewport={"width": 1280, "height": 800})
        page.goto(link)
        page.wait_for_timeout(4000)  # until the page has looked at all tiles
        page.reload()
        ready(page)
        page.screenshot(path=HERE / "labelling.png")
        page.keyboard.press("v")
        page.wait_for_timeout(1500)
        page.screenshot(path=HERE / "standing.jpg", quality=88)


@contextmanager
def chromium() -> Iterator[Browser]:
    """Open the browser."""
    program = os.environ.get("CHROMIUM") or shutil.which("chromium")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=program, args=["--no-sandbox"])
        yield browser
        browser.close()


def ready(page: Page) -> None:
    """Wait until a cell is in sight."""
    for _ in range(100):
        if page.evaluate("document.body?.dataset.ready"):
            break
        page.wait_for_timeout(100)
    page.wait_for_timeout(1000)


@contextmanager
def served(room: Path) -> Iterator[str]:
    """Serve the labelling page of a workspace; yields its link."""
    words = ["label", "-w", str(room), "--port", "0", "--no-browser", "--annotator", "anna"]
    program = [sys.executable, "-c", "from weedset.cli import app; app()", *words]
    with subprocess.Popen(program, stderr=subprocess.PIPE, text=True) as process:
        assert process.stderr is not None
        try:
            yield next(
                found[0]
                for line in process.stderr
                if (found := re.search(r"http://127\S+\?key=\S+", line))
            )
        finally:
            process.send_signal(signal.SIGINT)


def save_smaller(picture: Path, out: Path) -> None:
    """Save a picture as a JPEG of a width that reads well on a page."""
    with Image.open(picture) as image:
        height = round(image.height * _WIDTH_PX / image.width)
        image.resize((_WIDTH_PX, height), Image.Resampling.LANCZOS).save(out, quality=88)


def weedset(*words: str | Path) -> None:
    """Run a command of weedset."""
    program = "from training.verbs import main; main()"
    subprocess.run(
        [sys.executable, "-c", program, *map(str, words)],
        cwd=HERE.parent, check=True, stdout=subprocess.DEVNULL,
    )  # fmt: skip


if __name__ == "__main__":
    main(Path(sys.argv[1] if len(sys.argv) > 1 else "demo").resolve())
