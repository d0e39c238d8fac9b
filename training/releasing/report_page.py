"""A report as one HTML file that fetches nothing: what is on the page, and how it is written.

A report is a list of sections, each made of words, tables, drawings and pictures; whoever has
more to show makes another `Section`. All text is escaped by the template.
"""

from __future__ import annotations

from base64 import b64encode
from dataclasses import dataclass
from hashlib import sha256
from importlib import resources

from jinja2 import Environment, StrictUndefined


@dataclass(frozen=True, slots=True)
class Table:
    """Rows of cells under a head; the first cell of a row names it.

    From column `numbers_from` on cells are figures and stand to the right.
    """

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numbers_from: int = 1
    folded: bool = False


@dataclass(frozen=True, slots=True)
class Drawing:
    """A drawing: `svg` is markup of our own making, its texts escaped; `alt` says it in words."""

    name: str
    svg: str
    alt: str
    caption: str = ""
    wide: bool = False


@dataclass(frozen=True, slots=True)
class Picture:
    """A JPEG of `side_px` x `side_px` with what it shows, in words."""

    jpeg: bytes
    side_px: int
    alt: str
    title: str
    lines: tuple[str, ...]

    @property
    def address(self) -> str:
        """The picture as a data address."""
        return f"data:image/jpeg;base64,{b64encode(self.jpeg).decode('ascii')}"


@dataclass(frozen=True, slots=True)
class Section:
    """One part of a report, in the order words, points, drawings, pictures, tables, notes."""

    id: str
    title: str
    words: tuple[str, ...] = ()
    points: tuple[str, ...] = ()
    drawings: tuple[Drawing, ...] = ()
    pictures: tuple[Picture, ...] = ()
    tables: tuple[Table, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Page:
    """A whole report: what it says first and largest, what to beware of, and the sections."""

    title: str
    headline: str
    more: tuple[str, ...]
    cautions: tuple[str, ...]
    sections: tuple[Section, ...]
    made_with: str


def page_html(page: Page) -> str:
    """Return a page as HTML; the same page gives the same text."""
    pages = resources.files("training.releasing") / "pages"
    style = (pages / "report.css").read_text("utf-8")
    environment = Environment(
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    template = environment.from_string((pages / "report.html").read_text("utf-8"))
    digest = b64encode(sha256(style.encode()).digest()).decode("ascii")
    return template.render(page=page, style=style, style_digest=digest) + "\n"
