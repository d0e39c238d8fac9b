"""How far training is, told on stderr."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from training.timing import Epoch
from weedset.talk import progress_bar, say


@contextmanager
def epochs_told(epochs: int) -> Iterator[Callable[[Epoch], None]]:
    """Show how far training is: a bar on a terminal, ten lines or so elsewhere."""
    every = max(1, epochs // 10)
    count = 0
    with progress_bar() as progress:
        task = progress.add_task("training", total=epochs)

        def done(epoch: Epoch) -> None:
            nonlocal count
            count += 1
            speed = f"{epoch.tiles_per_s:.0f} tiles/s, {epoch.wait_share:.0%} waiting for tiles"
            told = f"loss {epoch.loss:.3f}, {speed}"
            progress.update(task, advance=1, description=f"training, {told}")
            if progress.disable and (count % every == 0 or count == epochs):
                say(f"epoch {count} of {epochs}: {told}")

        yield done
