"""What a person hears while a model is trained: on stderr, whatever goes to stdout."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.markup import escape
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn


def say(text: str) -> None:
    """Tell the person something."""
    _console().print(escape(text))


@contextmanager
def epochs_told(epochs: int) -> Iterator[Callable[[float], None]]:
    """Show how far training is: a bar on a terminal, ten lines or so elsewhere."""
    console = _console()
    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeRemainingColumn(),
    )
    every = max(1, epochs // 10)
    count = 0
    with Progress(*columns, console=console, disable=not console.is_terminal) as progress:
        task = progress.add_task("training", total=epochs)

        def done(loss: float) -> None:
            nonlocal count
            count += 1
            progress.update(task, advance=1, description=f"training, loss {loss:.3f}")
            if not console.is_terminal and (count % every == 0 or count == epochs):
                console.print(f"epoch {count} of {epochs}: loss {loss:.3f}")

        yield done


def _console() -> Console:
    return Console(stderr=True, highlight=False, soft_wrap=True)
