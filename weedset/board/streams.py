"""Frames out of a stream of bytes: JPEGs one after the other, after their length, or headed.

Nothing that a stream holds is believed: lengths are bounded, and a damaged frame is told of and
passed over where the next one can be found.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from weedset.board.steps import Odometry
from weedset.errors import PhotoError
from weedset.fields import Fields, parse_json

#: Reads at most so many bytes, fewer where no more are there yet, none at the end.
Read = Callable[[int], bytes]

MOST_FRAME_BYTES = 64_000_000
_CHUNK = 65_536
_LONGEST_HEADER = 4096

#: Beyond, odometry is no position of a machine: mm, or degrees of turning.
_FARTHEST = 1e9
_START = b"\xff\xd8\xff"

#: A marker within entropy-coded data: what is neither a stuffed byte, a restart nor fill
#: (ITU-T T.81, B.1.1).
_MARKER = re.compile(rb"\xff[^\x00\xd0-\xd7\xff]", re.DOTALL)


@dataclass(frozen=True, slots=True)
class Headed:
    """A frame with what its header says."""

    data: bytes
    odometry: Odometry | None


class _Bytes:
    """What was read of a stream and not used yet."""

    def __init__(self, read: Read) -> None:
        self._read = read
        self.held = bytearray()

    def fill(self, count: int) -> None:
        """Hold at least `count` bytes. Raises EOFError where the stream ends before."""
        while len(self.held) < count:
            chunk = self._read(_CHUNK)
            if not chunk:
                raise EOFError
            self.held += chunk

    def take(self, count: int) -> bytes:
        """Remove the first bytes and return them."""
        taken = bytes(self.held[:count])
        del self.held[:count]
        return taken


def length_prefixed(read: Read) -> Iterator[bytes | PhotoError]:
    """Yield frames that each follow their length in bytes, 4 bytes, big-endian.

    Raises PhotoError for a length that no photo has: what comes after cannot be told apart.
    """
    stream = _Bytes(read)
    while True:
        try:
            stream.fill(4)
        except EOFError:
            if stream.held:
                yield PhotoError("is cut off by the end of the stream")
            return
        length = int.from_bytes(stream.take(4), "big")
        if not 0 < length <= MOST_FRAME_BYTES:
            fix = "send 4 bytes of length, the highest first, before each frame"
            raise PhotoError(f"has a length of {length} bytes: no frame", where="stdin", fix=fix)
        try:
            stream.fill(length)
        except EOFError:
            yield PhotoError("is cut off by the end of the stream")
            return
        yield stream.take(length)


def headed(read: Read) -> Iterator[Headed | PhotoError]:
    """Yield frames that each follow a line of JSON: `length` in bytes, and perhaps `odometry`.

    Raises PhotoError for a header without a length that a photo has.
    """
    stream = _Bytes(read)
    while True:
        try:
            header = _line(stream)
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
            yield Headed(data, read_odometry(fields))
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


def _line(stream: _Bytes) -> str | None:
    """Remove a line and return it; None where the stream ends before one begins."""
    while (end := stream.held.find(b"\n")) < 0:
        if len(stream.held) > _LONGEST_HEADER:
            raise PhotoError("is no header: a line of JSON before each frame", where="stdin")
        try:
            stream.fill(len(stream.held) + 1)
        except EOFError:
            if stream.held:
                raise
            return None
    return stream.take(end + 1).decode(errors="replace")


def concatenated_jpegs(read: Read) -> Iterator[bytes | PhotoError]:
    """Yield JPEGs that follow one another (MJPEG); goes on at the next one after a bad one."""
    stream = _Bytes(read)
    while True:
        try:
            _to_start(stream)
            end, whole = _end(stream)
        except EOFError:
            if len(stream.held) > 2:
                yield PhotoError("is cut off by the end of the stream")
            return
        frame = stream.take(end)
        yield frame if whole else PhotoError("is a damaged frame")


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
