"""A place outside this machine that fsspec knows, for objects that are written once.

An object counts once whoever vouches for it, a manifest or the journal, is there; that is
written last. So a half-sent object is debris, and sending again goes on from what is whole.
Nothing is sent or fetched but where a person named the address.
"""

from __future__ import annotations

import hashlib
import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from weedset.digests import blocks_digest, copy_whole, file_digest, whole_file, write_whole
from weedset.errors import MissingPartError, PoolError, WeedsetError

_BLOCK_BYTES = 8 << 20

#: Where folders must be made first; object stores have none.
_WITH_FOLDERS = {"sftp", "ssh", "ftp", "smb", "memory"}
_HERE = {"file", "local"}


class Remote:
    """An address and all under it. What fails there is a PoolError that names the object."""

    def __init__(self, url: str) -> None:
        try:
            import fsspec
        except ModuleNotFoundError as exc:
            fix = "pip install 'weedset[desk]'"
            raise MissingPartError("reaching an address needs the desk part", fix=fix) from exc
        try:
            self._system, self._root = fsspec.core.url_to_fs(url.rstrip("/"))
        except (ImportError, ValueError) as exc:
            fix = "install the part of fsspec for this kind of address, such as s3fs for s3://"
            raise MissingPartError(f"cannot be reached: {exc}", where=url, fix=fix) from exc
        named = self._system.protocol
        self._kinds = {named} if isinstance(named, str) else set(named)
        self.url = url.rstrip("/")

    def names(self, folder: str = "") -> list[str]:
        """Return the names of all objects under a folder, counted from here, in order."""
        with self._told(folder):
            self._system.invalidate_cache()
            found = self._system.find(self._full(folder))
        return sorted(path[len(self._root) + 1 :] for path in found)

    def read(self, name: str) -> bytes | None:
        """Return an object as a whole; None where it is not there."""
        with self._told(name):
            try:
                data: bytes = self._system.cat_file(self._full(name))
            except (FileNotFoundError, NotADirectoryError):
                return None
        return data

    def digest(self, name: str) -> str | None:
        """Return the SHA-256 of an object; None where it is not there."""
        with self._told(name):
            try:
                return blocks_digest(self._blocks(name))
            except (FileNotFoundError, NotADirectoryError):
                return None

    def send(self, path: Path, name: str, digest: str) -> bool:
        """Send a file unless it is there, and see that it arrived; return whether it was sent."""
        try:
            size = path.stat().st_size
        except OSError as exc:
            fix = "see what `weedset pool verify` says"
            what = f"cannot be read ({exc.strerror})"
            raise PoolError(what, where=str(path), fix=fix) from exc
        if self._size(name) == size and self.digest(name) == digest:
            return False
        with self._told(name):
            self._put(path, self._full(name))
        if self.digest(name) != digest:
            fix = "the file here may be damaged: `weedset pool verify` tells; then send again"
            raise PoolError("is not there as it was sent", where=self._where(name), fix=fix)
        return True

    def fetch(self, name: str, path: Path, digest: str) -> bool:
        """Fetch an object unless it is here already; return whether it was fetched.

        Raises PoolError where it is missing, or is not the object of that digest.
        """
        if path.exists() and file_digest(path) == digest:
            return False
        real = hashlib.sha256()
        with self._told(name), whole_file(path) as file:
            for block in self._blocks(name):
                real.update(block)
                file.write(block)
            if real.hexdigest() != digest:
                raise PoolError(
                    "is damaged: it is not the object of its digest",
                    where=self._where(name),
                    fix="ask whoever keeps it to send it again; nothing here has changed",
                )
        return True

    def write_new(self, name: str, data: bytes) -> bool:
        """Write a small object that must not be there yet; return False where it is, the same.

        Of two who write at once, the store lets one. Raises PoolError where something else
        lies there.
        """
        full = self._full(name)
        with self._told(name):
            try:
                if self._kinds & _HERE:
                    _create(Path(full), data)
                else:
                    self._make_folder(full)
                    self._system.pipe_file(full, data, mode="create")
                return True
            except FileExistsError:
                there = self.read(name)
        if there != data:
            raise PoolError(
                "is there already, and says something else",
                where=self._where(name),
                fix="another pool goes there, or a copy of this one that went on by itself: "
                "choose another address",
            )
        return False

    def remove(self, name: str) -> None:
        """Remove an object."""
        with self._told(name):
            self._system.rm_file(self._full(name))

    def _blocks(self, name: str) -> Iterator[bytes]:
        # Without the cache of fsspec: a file is read once, from its beginning to its end.
        with self._system.open(self._full(name), "rb", _BLOCK_BYTES, cache_type="none") as file:
            while block := file.read(_BLOCK_BYTES):
                yield block

    def _size(self, name: str) -> int | None:
        with self._told(name):
            try:
                self._system.invalidate_cache()
                return int(self._system.size(self._full(name)))
            except (FileNotFoundError, NotADirectoryError):
                return None

    def _put(self, path: Path, full: str) -> None:
        if self._kinds & _HERE:
            copy_whole(path, Path(full))
            return
        self._make_folder(full)
        self._system.put_file(str(path), full)

    def _make_folder(self, full: str) -> None:
        if self._kinds & _WITH_FOLDERS:
            self._system.makedirs(full.rpartition("/")[0], exist_ok=True)

    def _full(self, name: str) -> str:
        return f"{self._root}/{name}" if name else str(self._root)

    def _where(self, name: str) -> str:
        return f"{self.url}/{name}" if name else self.url

    @contextmanager
    def _told(self, name: str) -> Iterator[None]:
        try:
            yield
        except (WeedsetError, FileExistsError):
            raise
        except FileNotFoundError as exc:
            fix = "see that the address is right, and that the place (a bucket) is there"
            raise PoolError("is not there", where=self._where(name), fix=fix) from exc
        except PermissionError as exc:
            fix = "see to the rights of the key or account that is used for this address"
            raise PoolError(f"is not allowed ({exc})", where=self._where(name), fix=fix) from exc
        except Exception as exc:  # each kind of place has failures of its own
            raise PoolError(
                f"failed ({type(exc).__name__}: {exc})",
                where=self._where(name),
                fix="nothing is lost: see to the connection, then give the command again; it goes "
                "on from what is there",
            ) from exc


def _create(path: Path, data: bytes) -> None:
    """Write a file that takes its name once it is whole, and only if nothing has it yet."""
    aside = path.with_name(f"{path.name}.{secrets.token_hex(4)}.new")
    write_whole(aside, data)
    try:
        os.link(aside, path)
    finally:
        aside.unlink()
