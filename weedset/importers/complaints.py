"""Saying everything that is wrong with a file at once."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from weedset.errors import LabelError

_MOST_COMPLAINTS = 20


def raise_all(complaints: Sequence[str], path: Path) -> None:
    """Raise LabelError with all complaints about a file, if there are any."""
    if not complaints:
        return
    shown = list(complaints[:_MOST_COMPLAINTS])
    if len(complaints) > len(shown):
        shown.append(f"and {len(complaints) - len(shown)} more")
    what = shown[0]
    if len(shown) > 1:
        what = "\n  ".join([f"has {len(complaints)} faults:", *shown])
    raise LabelError(what, where=str(path), fix="mend these; nothing was taken in")
