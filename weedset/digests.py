"""Names for content, and files that are either whole or not there."""

from __future__ import annotations

import errno
import hashlib
import os
import secrets
import shutil
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO

from weedset.errors import WeedsetError
from weedset.fields import require_file

_BLOCK_BYTES = 1 << 20
_AT_A_TIME = 8


def bytes_digest(data: bytes | memoryview) -> str:
    """Return the SHA-256 of `data` in lower-case hex."""
    return hashlib.sha256(data).hexdigest()


def blocks_of(stream: IO[bytes]) -> Iterator[bytes]:
    """Yield what is left of a stream, block by block."""
    while block := stream.read(_BLOCK_BYTES):
        yield block


def blocks_digest(blocks: Iterable[bytes]) -> str:
    """Return the SHA-256 of blocks, one after the other, in lower-case hex."""
    digest = hashlib.sha256()
    for block in blocks:
        digest.update(block)
    return digest.hexdigest()


def file_digest(path: Path) -> str:
    """Return the SHA-256 of a file in lower-case hex. Raises OSError."""
    require_file(path)
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def aside_of(path: Path) -> Path:
    """Return a name beside `path` that nobody uses, to write under until all is whole.

    Threads, and machines that see the same folder, may write the same file at once; and a killed
    process leaves its own behind, whose id comes again, in containers soon.
    """
    return path.with_name(f".{path.name}.{secrets.token_hex(4)}.part")


@contextmanager
def whole_file(path: Path) -> Iterator[IO[bytes]]:
    """Open a file that takes its name only once it is written, whole and on the disk.

    Written aside in the same folder, synced, then renamed over `path`; on an exception
    nothing is left. Raises OSError.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    aside = aside_of(path)
    try:
        with aside.open("wb") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        aside.replace(path)
    finally:
        aside.unlink(missing_ok=True)


def copy_whole(source: Path, path: Path) -> None:
    """Copy a file so that `path` is either as before or complete. Raises OSError."""
    with source.open("rb") as there, whole_file(path) as file:
        shutil.copyfileobj(there, file, _BLOCK_BYTES)


def write_whole(path: Path, data: bytes | str) -> None:
    """Write `data` (text as UTF-8) so that `path` is either as before or complete."""
    with whole_file(path) as file:
        file.write(data.encode() if isinstance(data, str) else data)


def require_writable(path: Path, error: type[WeedsetError]) -> None:
    """Raise `error` where nothing could be written at `path`, so that nobody waits in vain.

    Leaves nothing behind: folders that are not there yet are made when something is written.
    """
    try:
        if path.is_dir():
            raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR), str(path))
        above = path.parent
        while not above.exists():
            above = above.parent
        aside = aside_of(above / path.name)
        try:
            aside.touch(exist_ok=False)
        finally:
            aside.unlink(missing_ok=True)
    except OSError as exc:
        fix = "name another, in a folder that can be written, and make room on the disk"
        raise error(f"cannot be written ({exc.strerror})", where=str(path), fix=fix) from exc


@contextmanager
def whole_folder(path: Path) -> Iterator[Path]:
    """Yield a new folder that takes the name `path` only once it is whole and on the disk.

    Written aside in the same folder, synced, then renamed; on an exception nothing is left.
    Raises OSError, FileExistsError where anything but an empty folder has that name already.
    """
    if path.is_symlink() or (path.exists() and not _is_empty(path)):
        raise FileExistsError(errno.EEXIST, "is there already", str(path))
    path.parent.mkdir(parents=True, exist_ok=True)
    aside = aside_of(path)
    try:
        aside.mkdir()
        yield aside
        sync_folder(aside)
        aside.rename(path)
        sync_folder(path.parent, deep=False)
    finally:
        shutil.rmtree(aside, ignore_errors=True)


def _is_empty(path: Path) -> bool:
    return path.is_dir() and not any(path.iterdir())


def sync_folder(folder: Path, *, deep: bool = True) -> None:
    """See that a folder, and all that is in it, is on the disk. Raises OSError."""
    if deep:
        from concurrent.futures import ThreadPoolExecutor  # a board never needs it

        # Many at a time: file systems then write them together, some 30 times as fast.
        with ThreadPoolExecutor(_AT_A_TIME) as threads:
            for _ in threads.map(_sync, folder.rglob("*")):
                pass
    _sync(folder)


def _sync(path: Path) -> None:
    fd = os.open(path, os.O_RDONLY)
    try:
        os.fsync(fd)
    finally:
        os.close(fd)
