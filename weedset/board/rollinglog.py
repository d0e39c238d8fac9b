"""A log of decisions that never fills the disk, and never stops the work."""

from __future__ import annotations

from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path


class RollingLog:
    """Appends lines to a file; once it is full, it becomes FILE.1, FILE.1 becomes FILE.2 ...

    `keep` old files are kept. `fault` is why the last lines could not be written (a full
    disk), None where they could.
    """

    def __init__(self, path: Path, most_bytes: int, keep: int = 3) -> None:
        self.fault: str | None = None
        self._path = path
        self._most_bytes = most_bytes
        self._keep = keep

    def write(self, lines: Iterable[str]) -> None:
        """Append lines, all or none of them unless the power fails in between."""
        data = "".join(f"{line}\n" for line in lines).encode()
        try:
            size = self._path.stat().st_size if self._path.exists() else 0
            if size and size + len(data) > self._most_bytes:
                self._roll()
                size = 0
            self._append(data, size)
        except OSError as exc:
            self.fault = f"{self._path}: cannot be written ({exc.strerror})"
        else:
            self.fault = None

    def _append(self, data: bytes, size: int) -> None:
        with self._path.open("ab+", buffering=0) as file:
            if size:
                file.seek(-1, 2)
                if file.read(1) != b"\n":  # a killed process left half a line
                    data = b"\n" + data
            try:
                written = file.write(data)
                if written != len(data):
                    raise OSError(28, "no space left on the disk")
            except OSError:
                with suppress(OSError):
                    file.truncate(size)
                raise

    def _roll(self) -> None:
        for number in range(self._keep, 0, -1):
            older = self._numbered(number)
            newer = self._path if number == 1 else self._numbered(number - 1)
            if newer.exists():
                newer.replace(older)
        if not self._keep:
            self._path.unlink()

    def _numbered(self, number: int) -> Path:
        return self._path.with_name(f"{self._path.name}.{number}")
