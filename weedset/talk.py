"""What a person hears while weedset works: on stderr, whatever goes to stdout."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TypeVar

from rich.console import Console
from rich.markup import escape
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

from weedset.errors import WeedsetError, in_lines, printable

_Item = TypeVar("_Item")


def say(text: str) -> None:
    """Tell the person something."""
    voice().print(escape(in_lines(text)))


def complain(error: WeedsetError) -> None:
    """Tell the person what is wrong and what to do next."""
    voice().print(f"[bold red]error:[/] {escape(str(error))}")
    if error.fix:
        voice().print(f"  [bold]do:[/] {escape(in_lines(error.fix))}")
    if near := _near_file(error):
        voice().print(f"  [bold]did you mean[/] {escape(printable(near))}?")


def _near_file(error: WeedsetError) -> str:
    """Return the file whose name is nearest to that of one that is not there, "" if none is."""
    path = Path(error.where)
    if not error.where or "written" in error.what:
        return ""
    try:
        if path.exists() or Path(error.where.partition(": ")[0]).exists():
            return ""
        names = [item.name for item in path.parent.iterdir()]
    except OSError:
        return ""
    near = difflib.get_close_matches(path.name, names, 1, cutoff=0.7)
    return str(path.with_name(near[0])) if near else ""


def follow(items: Iterable[_Item], total: int, doing: str) -> Iterator[_Item]:
    """Yield `items`, showing on a terminal how far they are."""
    with progress_bar() as progress:
        yield from progress.track(items, total=total, description=doing)


def progress_bar() -> Progress:
    """Return a bar with count and time left, which shows on a terminal only."""
    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeRemainingColumn(),
    )
    console = voice()
    return Progress(*columns, console=console, disable=not console.is_terminal)


def voice() -> Console:
    """Return where weedset speaks: made anew each time, since tests and pipes change stderr."""
    return Console(stderr=True, highlight=False, soft_wrap=True)


def counted(count: int, noun: str) -> str:
    """Return a count with its noun, in the plural where it should be."""
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"
