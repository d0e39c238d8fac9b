"""A list of tiles to look at again, and why: JSON Lines that any program can write.

The first line says what it is; then a line for each tile, in the order in which they are
to be looked at.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from pathlib import Path

from weedset.digests import write_whole
from weedset.errors import LabelError
from weedset.fields import parse_json, read_text

_SCHEMA = "weedset review list"
_VERSION = 1
_DIGEST = re.compile(r"[0-9a-f]{64}")
_MOST_ROWS = 1_000_000
_MOST_WORDS = 300


@dataclass(frozen=True, slots=True)
class ReviewItem:
    """A tile to look at again: the SHA-256 of its photo, its cell, and why, in words.

    `contribution` is the SHA-256 of the archive that it came in, "" in one's own workspace.
    """

    photo: str
    row: int
    col: int
    reason: str
    contribution: str = ""


def write_review_list(path: Path, items: Iterable[ReviewItem]) -> None:
    """Write a review list. Raises LabelError where that fails."""
    rows = [{"schema": _SCHEMA, "version": _VERSION}, *map(asdict, items)]
    text = "".join(json.dumps(row, ensure_ascii=False) + "\n" for row in rows)
    try:
        write_whole(path, text)
    except OSError as exc:
        fix = "make room on the disk, or name another file"
        raise LabelError(f"cannot be written ({exc.strerror})", where=str(path), fix=fix) from exc


def read_review_list(path: Path) -> tuple[ReviewItem, ...]:
    """Read a review list. Raises LabelError naming the row and field that is wrong."""
    lines = read_text(path, LabelError).splitlines()
    if not lines:
        fix = "write one with `weedset doubts --to FILE`"
        raise LabelError("is empty", where=str(path), fix=fix)
    head = parse_json(lines[0], f"{path}: row 1", LabelError)
    head.choice("schema", (_SCHEMA,))
    if head.whole("version", least=1, most=10**6) > _VERSION:
        raise head.complaint("version", "is newer than this weedset knows", "install a newer one")
    if len(lines) > _MOST_ROWS:
        raise LabelError(f"has more than {_MOST_ROWS} rows", where=str(path))
    return tuple(_item(line, f"{path}: row {n}") for n, line in enumerate(lines[1:], 2))


def _item(line: str, where: str) -> ReviewItem:
    fields = parse_json(line, where, LabelError)
    digests = {"photo": fields.text("photo"), "contribution": ""}
    fields.knows("contribution")
    if fields.raw("contribution") not in ("", None):
        digests["contribution"] = fields.text("contribution")
    for name, digest in digests.items():
        if digest and not _DIGEST.fullmatch(digest):
            raise fields.complaint(name, "is no SHA-256 in lower-case hex")
    reason = fields.text("reason")
    if len(reason) > _MOST_WORDS or not reason.isprintable():
        raise fields.complaint("reason", f"should be at most {_MOST_WORDS} printable characters")
    item = ReviewItem(
        photo=digests["photo"],
        row=fields.whole("row", least=0, most=99_999),
        col=fields.whole("col", least=0, most=99_999),
        reason=reason,
        contribution=digests["contribution"],
    )
    fields.done()
    return item
