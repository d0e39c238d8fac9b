"""Names for content, and files that are either whole or not there."""

from __future__ import annotations

import hashlib
import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO


def bytes_digest(data: bytes | memoryview) -> str:
    """Return the SHA-256 of `data` in lower-case hex."""
    return hashlib.sha256(data).hexdigest()


def file_digest(path: Path) -> str:
    """Return the SHA-256 of a file in lower-case hex. Raises OSError."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


@contextmanager
def whole_file(path: Path) -> Iterator[IO[bytes]]:
    """Open a file that takes its name only once it is written, whole and on the disk.

    Written aside in the same folder, synced, then renamed over `path`; on an exception
    nothing is left. Raises OSError.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    # Threads, and machines that see the same folder, may write the same file at once.
    aside = path.with_name(f".{path.name}.{secrets.token_hex(4)}.part")
    try:
        with aside.open("wb") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        aside.replace(path)
    finally:
        aside.unlink(missing_ok=True)


def write_whole(path: Path, data: bytes | str) -> None:
    """Write `data` (text as UTF-8) so that `path` is either as before or complete."""
    with whole_file(path) as file:
        file.write(data.encode() if isinstance(data, str) else data)
