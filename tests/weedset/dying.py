"""Work that kills its process, where processes of a cluster can import it."""

from __future__ import annotations

import os
import signal
import time
from contextlib import suppress
from pathlib import Path


def die_once(flag: Path, item: int) -> int:
    """Return a square; kill the process at item 20, the first time."""
    if item == 20:
        with suppress(FileExistsError):
            flag.touch(exist_ok=False)
            os.kill(os.getpid(), signal.SIGKILL)
    return item * item


def kill(process: int, item: int) -> int:
    """Kill another process at item 5."""
    if item == 5:
        os.kill(process, signal.SIGKILL)
    time.sleep(0.05)
    return item
