"""What a person hears while weedset works: on stderr, whatever goes to stdout."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TypeVar

from rich.console import Console
from rich.markup import escape
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

from weedset.errors import WeedsetError

_Item = TypeVar("_Item")


def say(text: str) -> None:
    """Tell the person something."""
    voice().print(escape(text))


def complain(error: WeedsetError) -> None:
    """Tell the person what is wrong and what to do next."""
    voice().print(f"[bold red]error:[/] {escape(str(error))}")
    if error.fix:
        voice().print(f"  [bold]do:[/] {escape(error.fix)}")


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
