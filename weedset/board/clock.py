"""The one clock by which the age of frames is told: it counts on while the machine is suspended.

Linux' CLOCK_MONOTONIC, and with it Python's `time.monotonic`, stands still in suspension, so
that a frame from before would look fresh; CLOCK_BOOTTIME does not (clock_gettime(2)).
"""

from __future__ import annotations

import os
import time
from pathlib import Path


def now_s() -> float:
    """Return seconds since the machine was started, those in suspension too."""
    clock = getattr(time, "CLOCK_BOOTTIME", None)  # elsewhere the best there is
    return time.monotonic() if clock is None else time.clock_gettime(clock)


def started_s() -> float:
    """Return when this process was started, by `now_s`; where nobody tells, now.

    Field 22 of /proc/self/stat, in ticks (proc(5)); the name in field 2 may hold anything.
    """
    try:
        fields = Path("/proc/self/stat").read_text("utf-8", "replace").rpartition(")")[2].split()
        return int(fields[19]) / os.sysconf("SC_CLK_TCK")
    except (OSError, IndexError, ValueError):
        return now_s()
