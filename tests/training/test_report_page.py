"""A report: one file that says what was counted, fetches nothing and stands in nobody's way."""

from __future__ import annotations

import io
import re
from base64 import b64decode, b64encode
from dataclasses import replace
from hashlib import sha256
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from axe_playwright_python.sync_playwright import Axe
from PIL import Image
from playwright.sync_api import Browser
from sklearn.metrics import average_precision_score
from test_judging import said
from toy_garden import BAR, DISC
from typer.testing import CliRunner

from training.evaluation.evaluate import evaluate
from training.evaluation.pairs import Ought
from training.evaluation.per_row import Planting
from training.export import Exported
from training.releasing.report import write_report
from training.releasing.report_page import Page, Section, Table, page_html
from training.releasing.report_pictures import error_pictures, worst_errors
from training.releasing.report_plots import precision_recall_svg
from training.releasing.report_words import headline, named_by, next_steps
from training.sources import from_workspace
from training.verbs import app
from weedset.board.classify import ClassifiedCell
from weedset.board.model import BoardModel, open_model
from weedset.errors import PhotoError, ReleaseError
from weedset.images import open_photo
from weedset.modelcard import ClassCard
from weedset.records import (
    Action,
    Decision,
    Footprint,
    LabelledTile,
    Opinion,
    Origin,
    Policy,
    Statement,
    Tile,
)
from weedset.settings import Workspace
from weedset.store import open_store
from weedset.taxonomy import load_species

POLICY = Policy("beds", frozenset({DISC}), frozenset({BAR}))
VOID = {"meta", "img", "link", "br", "hr"}


@pytest.fixture(scope="module")
def bad(worse: Path) -> BoardModel:
    return open_model(worse)


@pytest.fixture(scope="module")
def written(bad: BoardModel, garden: Workspace, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The report on a model that errs."""
    path = tmp_path_factory.mktemp("report") / "report.html"
    write_report(bad, from_workspace(garden), POLICY, path)
    return path


class Reader(HTMLParser):
    """Reads a page strictly: every element that opens closes, in order."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.all: list[tuple[str, dict[str, str | None]]] = []
        self.text: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.all.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.all.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] not in ("style", "script"):
            self.text.append(data)


def read(html: str) -> Reader:
    reader = Reader()
    reader.feed(html)
    reader.close()
    assert reader.open == []
    return reader


def words_of(html: str) -> str:
    return " ".join(" ".join(read(html).text).split())


def test_the_headline_says_what_was_counted(
    written: Path, bad: BoardModel, garden: Workspace
) -> None:
    evaluation = evaluate(bad, from_workspace(garden), POLICY)
    remove, protect = (evaluation.decisions[ought] for ought in (Ought.REMOVE, Ought.PROTECT))
    html = written.read_text()
    (heading,) = re.findall(r"<h1>(.*?)</h1>", html)
    assert heading.replace("\xa0", " ") == (
        f"In 1 garden that it has never seen, the model treated {remove[Action.TREAT]} of "
        f"{sum(remove.values())} cells with weeds to be treated, and treated "
        f"{protect[Action.TREAT]} of {sum(protect.values())} cells with plants to protect."
    )
    words = words_of(html)
    assert bad.card.caution in words
    assert f"treated {protect[Action.TREAT]}, unsure {protect[Action.UNSURE]}" in words
    by_photo = replace(evaluation, split="photo")
    assert "that it knows" in headline(by_photo)


def test_the_page_fetches_nothing_and_runs_nothing(written: Path) -> None:
    """Content Security Policy Level 3: a style by its hash, pictures from data addresses alone."""
    html = written.read_text()
    reader = read(html)
    (policy,) = [
        attributes["content"]
        for tag, attributes in reader.all
        if tag == "meta" and attributes.get("http-equiv") == "Content-Security-Policy"
    ]
    (style,) = re.findall(r"<style>(.*?)</style>", html, re.DOTALL)
    digest = b64encode(sha256(style.encode()).digest()).decode()
    assert policy is not None
    assert policy.startswith("default-src 'none'; ")
    assert f"style-src 'sha256-{digest}'" in policy
    assert "unsafe" not in policy
    for tag, attributes in reader.all:
        assert tag not in ("script", "link", "iframe", "object", "base", "form")
        assert not [name for name in attributes if name.startswith("on") or name == "style"]
        for name in ("src", "href"):
            assert (attributes.get(name) or "#").startswith(("#", "data:image/jpeg;base64,"))
    assert "url(" not in style
    assert "@import" not in style


def test_the_drawings_are_whole(written: Path) -> None:
    """Reference: Python's XML parser."""
    drawings = re.findall(r"<svg.*?</svg>", written.read_text(), re.DOTALL)
    assert len(drawings) == 5  # decisions, three classes, reliability
    for drawing in drawings:
        ElementTree.fromstring(drawing)


def test_all_text_is_escaped(bad: BoardModel, garden: Workspace, tmp_path: Path) -> None:
    evil = "<img src=x onerror=alert(1)>&\"'"
    out = tmp_path / "report.html"
    model = replace(bad, card=replace(bad.card, name=evil, givers=(evil,), edition=evil))
    write_report(model, from_workspace(garden), replace(POLICY, name=evil), out)
    reader = read(out.read_text())
    assert not [tag for tag, attributes in reader.all if attributes.get("src") == "x"]
    assert " ".join(reader.text).count(evil) >= 4
    table = Table(evil, (evil, evil), ((evil, evil),))
    section = Section("a", evil, (evil,), (evil,), tables=(table,), notes=(evil,))
    page = read(page_html(Page(evil, evil, (evil,), (evil,), (section,), evil)))
    assert " ".join(page.text).count(evil) == 16


def test_same_inputs_same_bytes(
    written: Path, bad: BoardModel, garden: Workspace, tmp_path: Path
) -> None:
    write_report(bad, from_workspace(garden), POLICY, tmp_path / "again.html")
    assert (tmp_path / "again.html").read_bytes() == written.read_bytes()


def test_what_it_comes_to_along_a_row(bad: BoardModel, garden: Workspace, tmp_path: Path) -> None:
    """40 weeds per m2 on 100 m x 0.1 m are 400; 12 crop plants per m are 1200."""
    out = tmp_path / "row.html"
    evaluation = write_report(
        bad, from_workspace(garden), POLICY, out, planting=Planting(40, 12, 100)
    )
    weeds, harm = evaluation.scores.weeds, evaluation.scores.crop_harm
    missed = 400 * (weeds.cells - weeds.hits) / weeds.cells
    hit = 1200 * harm.hits / harm.cells
    words = words_of(out.read_text())
    assert f"weeds missed {missed:.0f} 400" in words
    assert f"crop plants hit {hit:.0f} 1200" in words
    assert "none of it is measured" in words


def test_nothing_is_supposed_of_a_row(written: Path) -> None:
    assert "m of row" not in words_of(written.read_text())


def area_below(svg: str) -> float:
    """Return the area below the curve of a drawing, as a share of its panel."""
    (path,) = re.findall(r'class="curve" d="(.*?)"', svg)
    places = re.findall(r"([MVH])(-?[\d.]+)(?: (-?[\d.]+))?", path)
    area = x = y = 0.0
    for kind, first, second in places:
        if kind == "M":
            x, y = float(first), float(second)
        elif kind == "V":
            y = float(first)
        else:
            area += (float(first) - x) * (196 - y)
            x = float(first)
    return area / ((292 - 54) * (196 - 8))


def test_the_area_below_a_curve_is_its_average_precision() -> None:
    """Reference: scikit-learn's average precision, of which the curve is drawn in steps."""
    rng = np.random.default_rng(3)
    for n in (3, 30, 200):
        truth = (rng.random(n) < 0.4).astype(np.int8)
        truth[0] = 1
        found = np.round(rng.random(n) * 0.6 + 0.4 * truth, 2).astype(np.float32)
        svg = precision_recall_svg(truth, found, ClassCard(DISC, None, 0.5, 0.1))
        reference = average_precision_score(truth, found)
        assert area_below(svg) == pytest.approx(reference, abs=0.003)


def test_the_curve_goes_on_to_where_all_is_called_and_marks_lie_on_it() -> None:
    """By hand: both plants are found by the surest two of four; the ring, at 0.2, calls three."""
    truth = np.array([1, 1, 0, 0], np.int8)
    found = np.array([0.9, 0.8, 0.3, 0.1], np.float32)
    svg = precision_recall_svg(truth, found, ClassCard(DISC, None, 0.2, 0.1))
    (path,) = re.findall(r'class="curve" d="(.*?)"', svg)
    assert path == "M54 8V8H173V8H292V102"  # down to a half, the share of plants
    (ring,) = re.findall(r'class="mark" cx="(.*?)" cy="(.*?)"', svg)
    assert ring == ("292", f"{196 - 188 * 2 / 3:.1f}")


def tile(at: int, *present: str, site: str = "north", photo: str = "d") -> LabelledTile:
    place = Tile(photo * 64, at, 0, Footprint(0, 0, 50, 50), 1, 1, 0, 1)
    checklist = frozenset({DISC, BAR, "LACSA"})
    return LabelledTile(place, "p.jpg", "b", site, None, checklist, said(*present))


def cell(at: int, action: Action, species: str | None, disc: float, bar: float) -> ClassifiedCell:
    return ClassifiedCell(at, 0, 0, 0, (0.5, disc, bar), Decision(action, "so"), species)


def test_the_surest_harm_comes_first(bad: BoardModel) -> None:
    card = bad.card
    assert card.codes == ("1PLAK", DISC, BAR)
    pairs = [
        (tile(0, DISC), cell(0, Action.LEAVE, None, 0.3, 0.1)),
        (tile(1, DISC), cell(1, Action.LEAVE, None, 0.01, 0.1)),
        (tile(2), cell(2, Action.TREAT, DISC, 0.9, 0.1)),
        (tile(3, BAR), cell(3, Action.TREAT, DISC, 0.8, 0.1)),
        (tile(4, BAR, DISC), cell(4, Action.TREAT, DISC, 0.99, 0.1)),
        (tile(5, DISC), cell(5, Action.TREAT, DISC, 0.9, 0.1)),
        (tile(6, BAR), cell(6, Action.LEAVE, BAR, 0.1, 0.9)),
        (tile(7, DISC), cell(7, Action.UNSURE, DISC, 0.4, 0.1)),
    ]
    found = worst_errors(pairs, card, POLICY)
    assert [(ought, pair[1].row) for ought, pair in found] == [
        (Ought.PROTECT, 4), (Ought.PROTECT, 3), (Ought.REMOVE, 1), (Ought.REMOVE, 0),
        (Ought.BARE, 2),
    ]  # fmt: skip


def test_a_picture_shows_the_cell_bright_in_its_dimmed_surroundings(
    written: Path, bad: BoardModel, garden: Workspace
) -> None:
    """The middle of the frame is the photo's own pixels, averaged; what is around is half."""
    with open_store(garden) as store:
        photos = {photo.digest: photo for photo in store.photos()}
        labelled = store.labelled_tiles()
    one = next(t for t in labelled if (t.tile.row, t.tile.col) == (3, 4))
    seen = ClassifiedCell(3, 4, 0, 0, (), Decision(Action.TREAT, "CHEAL is here"), DISC)
    (picture,) = error_pictures(
        [(Ought.PROTECT, (one, seen))], photos, from_workspace(garden), named_by(load_species())
    )
    shown = np.asarray(Image.open(io.BytesIO(picture.jpeg)).convert("RGB")).astype(float)
    photo = np.asarray(open_photo(Path(photos[one.tile.photo_digest].path)).image).astype(float)
    inside = photo[3 * 32 : 4 * 32, 4 * 32 : 5 * 32].mean(axis=(0, 1))
    around = photo[2 * 32 : 3 * 32, 3 * 32 : 6 * 32].mean(axis=(0, 1))
    assert shown[115:205, 115:205].mean(axis=(0, 1)) == pytest.approx(inside, rel=0.12)
    assert shown[4:96, 4:-4].mean(axis=(0, 1)) == pytest.approx(around / 2, rel=0.12)
    assert shown[106, 130:190].mean() > 180  # a white line, whatever colours one sees
    assert "row 3, column 4" in picture.lines[-1]
    assert "since fat hen (CHEAL) is here" in picture.alt  # a name, as the label beside it has
    pictures = re.findall(r'src="data:image/jpeg;base64,(.*?)"', written.read_text())
    assert pictures
    for data in pictures:
        assert Image.open(io.BytesIO(b64decode(data))).size == (320, 320)


def test_a_species_that_is_never_treated_is_said_to_be_so(
    bad: BoardModel, garden: Workspace, tmp_path: Path
) -> None:
    classes = tuple(replace(item, treat_at=None) for item in bad.card.classes)
    model, out = replace(bad, card=replace(bad.card, classes=classes)), tmp_path / "r.html"
    write_report(model, from_workspace(garden), POLICY, out)
    words = words_of(out.read_text())
    assert "NEVER treated, though the policy removes it: fat hen (CHEAL)." in words
    assert "fat hen (CHEAL) remove (never treated)" in words


def test_what_would_help_is_counted(bad: BoardModel) -> None:
    name = named_by(load_species())
    pairs = [
        *((tile(i, BAR), cell(i, Action.TREAT, DISC, 0.9, 0)) for i in range(3)),
        *((tile(i, BAR, site="south"), cell(i, Action.LEAVE, BAR, 0, 1)) for i in range(10, 20)),
        *((tile(i, BAR), cell(i, Action.LEAVE, BAR, 0, 1)) for i in range(20, 27)),
    ]
    tiles = [labelled for labelled, _ in pairs] + [tile(99, "LACSA", site="west")]

    def opinion(number: int, who: str, what: Statement) -> Opinion:
        return Opinion(number, who, Origin.PAGE, "", replace(what, annotator=who))

    histories = [
        [opinion(1, "ann", said(BAR)), opinion(2, "ben", said(DISC))],
        [opinion(3, "ann", said(BAR)), opinion(4, "ben", said(BAR, DISC))],
        [opinion(5, "ann", said(BAR)), opinion(6, "ann", said(DISC))],
    ]
    steps = next_steps(tiles, pairs, histories, bad.card, POLICY, name)
    text = " ".join(steps)
    assert "Carrot (DAUCS) was treated in 3 cells, taken for fat hen (CHEAL) in 3" in steps[0]
    assert "Most harm was done in north: 3 of 10 cells to protect" in steps[1]
    assert "Fat hen (CHEAL) is on 0 labelled cells of 0 sites" in text
    assert "Lettuce (LACSA) is on 1 labelled cell of 1 site, too few to be learned, none of" in text
    assert "Carrot (DAUCS) is on 20 labelled cells of 2 sites: label it in 1 more garden" in text
    assert "disagree on fat hen (CHEAL) in 2 of 2 cells that several have labelled" in text


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [360, 1200])
def test_it_stands_in_nobodys_way(
    written: Path, chromium: Browser, scheme: str, width: int
) -> None:
    """Reference: axe-core. What it finds, of any weight, is too much."""
    context = chromium.new_context(
        color_scheme=scheme,  # type: ignore[arg-type]
        viewport={"width": width, "height": 800},
    )
    page = context.new_page()
    complaints: list[str] = []
    page.on("console", lambda message: complaints.append(message.text))
    page.on("request", lambda request: complaints.append(request.url[:60]))
    page.goto(written.as_uri())
    wide = page.evaluate("document.documentElement.scrollWidth")
    told = [text for text in complaints if not text.startswith(("file:", "data:"))]
    context.close()
    assert told == []
    assert wide <= width
    # Its policy forbids scripts, so axe looks at the same page without it.
    context = chromium.new_context(
        color_scheme=scheme,  # type: ignore[arg-type]
        viewport={"width": width, "height": 800},
        bypass_csp=True,
    )
    page = context.new_page()
    page.goto(written.as_uri())
    page.evaluate("document.querySelectorAll('details').forEach(one => one.open = true)")
    found = Axe().run(page).response["violations"]
    context.close()
    assert [f"{item['id']}: {item['nodes'][0]['html'][:120]}" for item in found] == []


def test_long_words_are_broken(
    bad: BoardModel, garden: Workspace, chromium: Browser, tmp_path: Path
) -> None:
    long = "x" * 400
    out = tmp_path / "report.html"
    card = replace(bad.card, name=long, givers=(long,), caution=long)
    write_report(replace(bad, card=card), from_workspace(garden), replace(POLICY, name=long), out)
    page = chromium.new_page(viewport={"width": 360, "height": 800})
    page.goto(out.as_uri())
    wide = page.evaluate("document.documentElement.scrollWidth")
    page.close()
    assert wide <= 360


def test_on_paper_it_has_its_pages(written: Path, chromium: Browser, tmp_path: Path) -> None:
    page = chromium.new_page()
    page.goto(written.as_uri())
    page.pdf(path=tmp_path / "report.pdf", prefer_css_page_size=True, print_background=True)
    page.close()
    data = (tmp_path / "report.pdf").read_bytes()
    # A4 in points, ISO 216: 210 x 297 mm.
    width, height = map(float, re.findall(rb"/MediaBox\s*\[0 0 ([\d.]+) ([\d.]+)\]", data)[0])
    assert (width, height) == pytest.approx((210 / 25.4 * 72, 297 / 25.4 * 72), abs=1)


def test_the_verb_and_its_failures(
    exported: Exported, garden: Workspace, tmp_path: Path, bad: BoardModel
) -> None:
    policy = tmp_path / "beds.toml"
    policy.write_text(f'name = "beds"\nremove = ["{DISC}"]\n')
    out = tmp_path / "deep" / "report.html"
    words = ["report", str(exported.path), "-w", str(garden.root), "--policy", str(policy)]
    done = CliRunner().invoke(app, [*words, "--out", str(out)])
    assert done.exit_code == 0, done.output
    assert "look before you hand it on" in done.stderr
    assert "toy" in words_of(out.read_text())
    with pytest.raises(ReleaseError, match="cannot be written"):
        write_report(bad, from_workspace(garden), POLICY, tmp_path / "beds.toml" / "report.html")
    (site,) = exported.card.held_out
    photo = garden.root.parent / "photos" / f"{site}0.png"
    away = photo.rename(photo.with_suffix(".away"))
    try:
        with pytest.raises(PhotoError, match=photo.name):
            write_report(bad, from_workspace(garden), POLICY, out)
    finally:
        away.rename(photo)
