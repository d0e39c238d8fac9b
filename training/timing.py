"""How long a training run computes, and how long it waits for tiles."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from time import perf_counter
from typing import TypeVar

import torch

from weedset.fields import Fields

_Item = TypeVar("_Item")


@dataclass(frozen=True, slots=True)
class Epoch:
    """One epoch: its mean loss, and how quickly it went.

    `wait_share` is the share of its time in which the processor that learns, a graphics
    card where there is one, had nothing to do for want of tiles.
    """

    loss: float
    seconds: float
    tiles_per_s: float
    wait_share: float


def epochs_from(fields: Fields) -> tuple[Epoch, ...]:
    """Read the epochs of a run. Raises what `fields` raises, naming the field."""
    return tuple(
        Epoch(
            loss=item.number("loss", least=0, most=1e9),
            seconds=item.number("seconds", least=0, most=1e9),
            tiles_per_s=item.number("tiles_per_s", least=0, most=1e9),
            wait_share=item.number("wait_share", least=0, most=1),
        )
        for item in fields.tables("epochs")
    )


class Stopwatch:
    """Tells computing from waiting, on a graphics card by its own clock.

    The program runs ahead of a graphics card, so that its waiting for tiles is no waiting of
    the card: marks in the card's queue of work tell when the card itself stood still.
    """

    def __init__(self, device: torch.device) -> None:
        self._on_card = device.type == "cuda"
        self._restart()

    def waits(self, items: Iterable[_Item]) -> Iterator[_Item]:
        """Yield `items`; what passes until the next one comes is waiting."""
        self._mark()
        for item in items:
            self._mark()
            yield item
        self._marks.clear()

    def computed(self, tiles: int) -> None:
        """Say that a step with so many tiles is done, or in the queue."""
        self._tiles += tiles
        self._mark()

    def epoch(self, loss: float) -> Epoch:
        """Return the epoch that ends now, and begin another."""
        seconds = perf_counter() - self._start
        # waiting, computing, waiting, computing ...: each wait lies before an odd mark
        waited = sum(map(self._between, self._marks[0::2], self._marks[1::2]))
        done = Epoch(loss, seconds, self._tiles / seconds, min(1.0, waited / seconds))
        last = self._marks[-1]
        self._restart()
        self._marks.append(last)
        return done

    def _restart(self) -> None:
        self._start = perf_counter()
        self._tiles = 0
        self._marks: list[float | torch.cuda.Event] = []

    def _mark(self) -> None:
        if self._on_card:
            event = torch.cuda.Event(enable_timing=True)  # type: ignore[no-untyped-call]
            event.record()
            self._marks.append(event)
        else:
            self._marks.append(perf_counter())

    @staticmethod
    def _between(start: float | torch.cuda.Event, end: float | torch.cuda.Event) -> float:
        if isinstance(start, torch.cuda.Event) and isinstance(end, torch.cuda.Event):
            return float(start.elapsed_time(end)) / 1000
        assert isinstance(start, float)
        assert isinstance(end, float)
        return end - start
