"""Frames out of a stream of bytes: JPEGs one after the other, after their length, or headed.

Nothing that a stream holds is believed: lengths are bounded, and a damaged frame is told of and
passed over where the next one can be found. What lay in a queue before it came in counts as old
as it may be, see `Incoming`.
"""

from __future__ import annotations

import os
import re
import select
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from weedset.board.clock import now_s, started_s
from weedset.board.steps import Odometry
from weedset.errors import PhotoError
from weedset.fields import Fields, parse_json

#: Reads at most so many bytes, fewer where no more are there yet, none at the end.
Read = Callable[[int], bytes]

#: Tells of the last bytes that were read since when they can have waited to be.
Since = Callable[[], float]

MOST_FRAME_BYTES = 64_000_000
_CHUNK = 65_536
_LONGEST_HEADER = 4096

#: How long to wait for bytes before looking again whether there are none.
_LOOK_S = 0.02

#: Whoever did not look for so long was stopped, or the machine was suspended. For as long again
#: a camera's program may hand on what it had gathered. Common practice, no source.
_STOPPED_S = 1.0

#: Beyond, odometry is no position of a machine: mm, or degrees of turning.
_FARTHEST = 1e9
_START = b"\xff\xd8\xff"

#: A marker within entropy-coded data: what is neither a stuffed byte, a restart nor fill
#: (ITU-T T.81, B.1.1).
_MARKER = re.compile(rb"\xff[^\x00\xd0-\xd7\xff]", re.DOTALL)


@dataclass(frozen=True, slots=True)
class Framed:
    """A frame of a stream: not older than `taken_s`, see `weedset.board.clock.now_s`."""

    data: bytes
    taken_s: float
    odometry: Odometry | None = None


class Incoming:
    """Reads a pipe, and knows how long what it reads can have lain there at most.

    While a program is stopped, or the machine suspended, frames wait in the pipe, and more of
    them in the camera's program. What comes in since the pipe was last seen empty is no older
    than that look. Where nobody looked for a while, looks count again only once things have
    settled: until then every frame is as old as the last look before.
    """

    def __init__(self, fd: int) -> None:
        self._fd = fd
        self.empty_s = started_s()  # what came sooner, came to nobody
        self._looked_s = now_s()
        self._settled_s = self._looked_s

    def read(self, most: int) -> bytes:
        """Wait for bytes and return what there is, at most `most`; none at the end."""
        while not self._look():
            pass
        return os.read(self._fd, most)

    def _look(self) -> bool:
        """Return whether there is something to read, or soon is."""
        now = now_s()  # before looking: a process can be stopped between any two steps
        if now - self._looked_s > _STOPPED_S:
            self._settled_s = now + _STOPPED_S
        self._looked_s = now
        if select.select([self._fd], [], [], 0)[0]:
            return True
        if now >= self._settled_s:
            self.empty_s = now
        return bool(select.select([self._fd], [], [], _LOOK_S)[0])


class _Bytes:
    """What was read of a stream and not used yet."""

    def __init__(self, read: Read, since: Since) -> None:
        self._read, self._since = read, since
        self.held = bytearray()
        self._pieces: deque[tuple[int, float]] = deque()

    @property
    def begun_s(self) -> float:
        """Return since when the first byte that is held can have lain there."""
        return self._pieces[0][1]

    def fill(self, count: int) -> None:
        """Hold at least `count` bytes. Raises EOFError where the stream ends before."""
        while len(self.held) < count:
            chunk = self._read(_CHUNK)
            if not chunk:
                raise EOFError
            self.held += chunk
            self._pieces.append((len(chunk), self._since()))

    def take(self, count: int) -> bytes:
        """Remove the first bytes and return them."""
        taken = bytes(self.held[:count])
        del self.held[:count]
        left = len(taken)
        while left:
            length, since = self._pieces.popleft()
            if length > left:
                self._pieces.appendleft((length - left, since))
            left -= min(left, length)
        return taken


def length_prefixed(read: Read, since: Since = now_s) -> Iterator[Framed | PhotoError]:
    """Yield frames that each follow their length in bytes, 4 bytes, big-endian.

    Raises PhotoError for a length that no photo has: what comes after cannot be told apart.
    """
    stream = _Bytes(read, since)
    while True:
        try:
            stream.fill(4)
        except EOFError:
            if stream.held:
                yield PhotoError("is cut off by the end of the stream")
            return
        begun_s = stream.begun_s
        length = int.from_bytes(stream.take(4), "big")
        if not 0 < length <= MOST_FRAME_BYTES:
            fix = "send 4 bytes of length, the highest first, before each frame"
            raise PhotoError(f"has a length of {length} bytes: no frame", where="stdin", fix=fix)
        try:
            stream.fill(length)
        except EOFError:
            yield PhotoError("is cut off by the end of the stream")
            return
        yield Framed(stream.take(length), begun_s)


def headed(read: Read, since: Since = now_s) -> Iterator[Framed | PhotoError]:
    """Yield frames that each follow a line of JSON: `length` in bytes, and what else is known.

    That is `odometry`, and `taken_boottime_s`: when the frame was taken, by `now_s`, which then
    counts instead of when it came in.
    Raises PhotoError for a header without a length that a photo has.
    """
    stream = _Bytes(read, since)
    while True:
        try:
            header, begun_s = _line(stream)
            if header is None:
                return
            fields = parse_json(header, "stdin: header of a frame", PhotoError)
            length = fields.whole("length", least=1, most=MOST_FRAME_BYTES)
            stream.fill(length)
        except EOFError:
            yield PhotoError("is cut off by the end of the stream")
            return
        data = stream.take(length)
        try:
            if "taken_boottime_s" in fields:
                begun_s = fields.number("taken_boottime_s", least=0)
            yield Framed(data, begun_s, read_odometry(fields))
        except PhotoError as error:
            yield error


def read_odometry(fields: Fields) -> Odometry | None:
    """Return the table `odometry` with x_mm, y_mm and heading_deg, None where there is none.

    Raises PhotoError, naming the field.
    """
    if "odometry" not in fields:
        return None
    table = fields.table("odometry")
    far = {"least": -_FARTHEST, "most": _FARTHEST}
    found = Odometry(*(table.number(name, **far) for name in ("x_mm", "y_mm", "heading_deg")))
    table.done()
    return found


def _line(stream: _Bytes) -> tuple[str | None, float]:
    """Remove a line; return it, None where the stream ends before one begins, and its age."""
    while (end := stream.held.find(b"\n")) < 0:
        if len(stream.held) > _LONGEST_HEADER:
            raise PhotoError("is no header: a line of JSON before each frame", where="stdin")
        try:
            stream.fill(len(stream.held) + 1)
        except EOFError:
            if stream.held:
                raise
            return None, 0.0
    begun_s = stream.begun_s
    return stream.take(end + 1).decode(errors="replace"), begun_s


def concatenated_jpegs(read: Read, since: Since = now_s) -> Iterator[Framed | PhotoError]:
    """Yield JPEGs that follow one another (MJPEG); goes on at the next one after a bad one."""
    stream = _Bytes(read, since)
    while True:
        try:
            _to_start(stream)
            end, whole = _end(stream)
        except EOFError:
            if len(stream.held) > 2:
                yield PhotoError("is cut off by the end of the stream")
            return
        begun_s = stream.begun_s
        frame = stream.take(end)
        yield Framed(frame, begun_s) if whole else PhotoError("is a damaged frame")


def _to_start(stream: _Bytes) -> None:
    """Drop what comes before the next JPEG."""
    while True:
        stream.fill(3)
        at = stream.held.find(_START)
        if at >= 0:
            stream.take(at)
            return
        stream.take(len(stream.held) - 2)


def _end(stream: _Bytes) -> tuple[int, bool]:
    """Return where the JPEG at the beginning of `stream` ends, and whether it is whole.

    Segments are stepped over by their length, so a small picture inside EXIF is no frame.
    """
    at = 2
    while at < MOST_FRAME_BYTES:
        stream.fill(at + 4)
        if stream.held[at] != 0xFF:
            return at, False
        kind = stream.held[at + 1]
        if kind == 0xD9:
            return at + 2, False  # ends before any picture
        if kind == 0xFF:  # fill
            at += 1
            continue
        at += 2 + int.from_bytes(stream.held[at + 2 : at + 4], "big")
        if kind != 0xDA:  # start of scan: coded data follow, up to the next marker
            continue
        at = _next_marker(stream, at)
        if stream.held[at + 1] == 0xD8:  # the next began before this one ended
            return at, False
        if stream.held[at + 1] == 0xD9:
            return at + 2, True
    return at, False


def _next_marker(stream: _Bytes, at: int) -> int:
    while at < MOST_FRAME_BYTES:
        stream.fill(at + 2)
        if found := _MARKER.search(stream.held, at):
            return found.start()
        at = len(stream.held) - 1
    return at - 1
