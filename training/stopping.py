"""Being told to stop: the run ends after the step it is in, saved, and not in the middle."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType


def leave_stopping_to_parent() -> None:
    """Ignore Ctrl-C and SIGTERM, which reach a whole group of processes at once.

    A worker that dies of them would take its parent along before that has saved.
    """
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, signal.SIG_IGN)


@contextmanager
def stop_asked() -> Iterator[threading.Event]:
    """Yield what is set once by Ctrl-C or SIGTERM; the next one ends the program at once.

    Only the main thread hears signals; in others nothing is ever set.
    """
    stop = threading.Event()
    if threading.current_thread() is not threading.main_thread():
        yield stop
        return
    signals = (signal.SIGINT, signal.SIGTERM)
    before = {number: signal.getsignal(number) for number in signals}

    def hear(_number: int, _frame: FrameType | None) -> None:
        stop.set()
        restore()

    def restore() -> None:
        for number, handler in before.items():
            signal.signal(number, handler)

    for number in signals:
        signal.signal(number, hear)
    try:
        yield stop
    finally:
        restore()
