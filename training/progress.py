"""How far training is, told on stderr."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from weedset.talk import progress_bar, say


@contextmanager
def epochs_told(epochs: int) -> Iterator[Callable[[float], None]]:
    """Show how far training is: a bar on a terminal, ten lines or so elsewhere."""
    every = max(1, epochs // 10)
    count = 0
    with progress_bar() as progress:
        task = progress.add_task("training", total=epochs)

        def done(loss: float) -> None:
            nonlocal count
            count += 1
            progress.update(task, advance=1, description=f"training, loss {loss:.3f}")
            if progress.disable and (count % every == 0 or count == epochs):
                say(f"epoch {count} of {epochs}: loss {loss:.3f}")

        yield done
