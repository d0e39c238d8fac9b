"""How far training is, told on stderr."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from training.timing import Epoch
from weedset.talk import progress_bar, say


@contextmanager
def epochs_told(epochs: int) -> Iterator[Callable[[int, Epoch], None]]:
    """Show how far training is: a bar on a terminal, ten lines or so elsewhere.

    What is yielded takes the number of each epoch that was trained now, and the epoch.
    """
    every = max(1, epochs // 10)
    with progress_bar() as progress:
        task = progress.add_task("training", total=epochs)

        def done(number: int, epoch: Epoch) -> None:
            speed = f"{epoch.tiles_per_s:.0f} tiles/s, {epoch.wait_share:.0%} waiting for tiles"
            told = f"loss {epoch.loss:.3f}, {speed}"
            progress.update(task, completed=number, description=f"training, {told}")
            if progress.disable and (number % every == 0 or number == epochs):
                say(f"epoch {number} of {epochs}: {told}")

        yield done
