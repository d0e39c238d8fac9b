"""Frames of a running camera: from a stream of bytes, or as photos that appear in a folder.

Whatever comes faster than it can be decided on is dropped, so that the frame at hand is always
the newest: memory stays bounded and no decision grows old in a queue.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from stat import S_ISREG
from threading import Condition, Thread
from time import time

from weedset.board.clock import now_s
from weedset.board.steps import Odometry
from weedset.board.streams import MOST_FRAME_BYTES, Framed, read_odometry
from weedset.errors import PhotoError
from weedset.fields import parse_json, read_text, require_file
from weedset.photofiles import PHOTO_SUFFIXES


@dataclass(frozen=True, slots=True)
class Shot:
    """A frame as it came in; `taken_s` by `weedset.board.clock.now_s`."""

    name: str
    data: bytes
    taken_s: float
    odometry: Odometry | None = None


class Newest:
    """Reads frames in a thread of its own and keeps the newest, so that none grows old."""

    def __init__(self, frames: Iterator[Framed | PhotoError]) -> None:
        self.dropped = 0
        self._changed = Condition()
        self._waiting: Shot | PhotoError | None = None
        self._ended = False
        Thread(target=self._gather, args=(frames,), daemon=True).start()

    def _gather(self, frames: Iterator[Framed | PhotoError]) -> None:
        number = 0
        try:
            for number, frame in enumerate(frames, 1):
                name = f"frame {number}"
                if isinstance(frame, PhotoError):
                    what = f"{frame.where}: {frame.what}" if frame.where else frame.what
                    self._put(PhotoError(what, where=name, fix=frame.fix))
                else:
                    self._put(Shot(name, frame.data, frame.taken_s, frame.odometry))
        except PhotoError as error:
            self._put(error)
        with self._changed:
            self._ended = True
            self._changed.notify()

    def _put(self, shot: Shot | PhotoError) -> None:
        with self._changed:
            self.dropped += self._waiting is not None
            self._waiting = shot
            self._changed.notify()

    def __iter__(self) -> Iterator[Shot | PhotoError]:
        """Yield the newest frame each time one is asked for, until the stream ends."""
        while True:
            with self._changed:
                self._changed.wait_for(lambda: self._waiting is not None or self._ended)
                shot, self._waiting = self._waiting, None
            if shot is None:
                return
            yield shot


class WatchedFolder:
    """Finds photos that appear in a folder, once they are whole.

    What lay there at the beginning is too old to act on and never returned; so a restart goes
    on with what comes next. A photo counts as whole when neither size nor date changed
    between two looks; one that changes later counts as new.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._done = self._look()
        self._before: dict[str, tuple[int, int]] = {}

    def newest(self) -> Path | None:
        """Return the newest whole photo that came since the last look, if any.

        To be asked every so often, such as ten times a second. Older ones are dropped.
        """
        now = self._look()
        whole = [
            name
            for name, state in now.items()
            if self._before.get(name) == state and self._done.get(name) != state
        ]
        # What is gone is forgotten: memory is bounded by what lies in the folder.
        self._done = {name: state for name, state in self._done.items() if name in now}
        self._done |= {name: now[name] for name in whole}
        self._before = now
        if not whole:
            return None
        return self._folder / max(whole, key=lambda name: (now[name][1], name))

    def _look(self) -> dict[str, tuple[int, int]]:
        """Return size and date of each photo; none where the folder is gone for now."""
        found = {}
        try:
            with os.scandir(self._folder) as entries:
                for entry in entries:
                    suffix = Path(entry.name).suffix.lower()
                    if suffix in PHOTO_SUFFIXES and not entry.name.startswith("."):
                        with suppress(OSError):  # gone since, or a link to nothing
                            state = entry.stat()
                            if state.st_size and S_ISREG(state.st_mode):
                                found[entry.name] = (state.st_size, state.st_mtime_ns)
        except OSError:
            return {}
        return found


def read_shot(path: Path) -> Shot:
    """Read a photo as a frame that was taken when the file was last written.

    Odometry is that of a JSON file of the same name beside it (see `read_odometry`), if any.
    Raises PhotoError where it cannot be read, or is being written again.
    """
    try:
        require_file(path)
        before = path.stat()
        if before.st_size > MOST_FRAME_BYTES:
            raise PhotoError("is larger than any frame should be", where=str(path))
        data = path.read_bytes()
        after = path.stat()
    except OSError as exc:
        raise PhotoError(f"cannot be read ({exc.strerror})", where=str(path)) from exc
    if len(data) != before.st_size or after.st_mtime_ns != before.st_mtime_ns:
        raise PhotoError("changed while it was read", where=str(path))
    beside, odometry = path.with_suffix(".json"), None
    if beside.exists():
        fields = parse_json(read_text(beside, PhotoError), str(beside), PhotoError)
        odometry = read_odometry(fields)
    return Shot(path.name, data, now_s() - (time() - after.st_mtime), odometry)
