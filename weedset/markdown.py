"""Text from strangers inside Markdown, as text and nothing else."""

from __future__ import annotations

_MARKS = str.maketrans({mark: f"\\{mark}" for mark in "\\`*_[]#|!~&<>"})


def plain(text: str) -> str:
    """Return a text on one line, in which no sign means anything to Markdown."""
    return " ".join(text.split()).translate(_MARKS)
