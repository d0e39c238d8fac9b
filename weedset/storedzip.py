"""A narrow kind of zip: members stored as they are, one after the other, nothing else.

Any unzip program opens it, and the same members give the same bytes. Reading is strict:
what says its size lies in the file with that size, so there is nothing to blow up, nothing
hidden between members, and two programs cannot read two contents out of one archive.
Layout: PKWARE APPNOTE.TXT 6.3; zip64 is used for offsets and counts only.

Both directions stream: memory does not grow with the number of members.
"""

from __future__ import annotations

import os
import stat
import struct
import tempfile
import zlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import IO

from weedset.errors import ContributionError

#: More members than any batch of one site and day has.
MOST_MEMBERS = 500_000
MOST_MEMBER_BYTES = 2**31
_MOST_NAME_BYTES = 255

_LOCAL = struct.Struct("<4s5H3I2H")
_CENTRAL = struct.Struct("<4s6H3I5H2I")
_ZIP64_END = struct.Struct("<4sQ2H2I4Q")
_ZIP64_LOCATOR = struct.Struct("<4sIQI")
_END = struct.Struct("<4s4H2IH")
_OFFSET_EXTRA = struct.Struct("<2HQ")

_UTF8_FLAG = 0x0800
_ENCRYPTED_FLAG = 0x0001
_SIZE_LATER_FLAG = 0x0008
_STORED = 0
_VERSION = 45  # zip64
_MADE_ON_UNIX = 3 << 8 | _VERSION
_DATE = (2000 - 1980) << 9 | 1 << 5 | 1  # 2000-01-01, for all alike
_MODE = (stat.S_IFREG | 0o644) << 16
_MOST_32 = 0xFFFFFFFF
_MOST_16 = 0xFFFF
_BLOCK_BYTES = 1 << 20


@dataclass(frozen=True, slots=True)
class Member:
    """A member: its bytes lie at `offset` in the archive, `size` of them.

    `fault` says why it may not be used, in words; its place is right all the same.
    """

    name: str
    offset: int
    size: int
    crc: int
    fault: str = ""


def _fault(name: str, flags: int, method: int, packed: int, size: int, mode: int) -> str:
    if flags & _ENCRYPTED_FLAG:
        return "is encrypted"
    if stat.S_ISLNK(mode):
        return "is a symbolic link"
    if name.endswith("/") or stat.S_IFMT(mode) not in (0, stat.S_IFREG):
        return "is not a plain file"
    if method != _STORED:
        return "is compressed, where members are stored as they are"
    if packed != size:
        return f"claims {size} bytes, stored in {packed}"
    if size > MOST_MEMBER_BYTES:
        return f"has {size} bytes, more than any file here"
    return "has flags that are not used here" if flags & ~_UTF8_FLAG else ""


class StoredZipWriter:
    """Writes members to a file that can be written again at earlier places."""

    def __init__(self, file: IO[bytes]) -> None:
        self._file = file
        self._directory = tempfile.TemporaryFile()  # noqa: SIM115  # closed on leaving
        self._count = 0

    def __enter__(self) -> StoredZipWriter:
        return self

    def __exit__(self, *_: object) -> None:
        self._directory.close()

    def add(self, name: str, chunks: Iterable[bytes]) -> int:
        """Write a member and return its size."""
        offset = self._file.tell()
        encoded = name.encode()
        self._file.write(_local_header(encoded, 0, 0))
        size = crc = 0
        for chunk in chunks:
            self._file.write(chunk)
            size += len(chunk)
            crc = zlib.crc32(chunk, crc)
        self._file.seek(offset)
        self._file.write(_local_header(encoded, crc, size))
        self._file.seek(offset + _LOCAL.size + len(encoded) + size)
        self._directory.write(_central_header(encoded, crc, size, offset))
        self._count += 1
        return size

    def add_bytes(self, name: str, data: bytes) -> None:
        """Write a member that is at hand as a whole (no going back in the file)."""
        offset, encoded, crc = self._file.tell(), name.encode(), zlib.crc32(data)
        self._file.write(_local_header(encoded, crc, len(data)))
        self._file.write(data)
        self._directory.write(_central_header(encoded, crc, len(data), offset))
        self._count += 1

    def finish(self) -> None:
        """Write the directory of members."""
        start, size = self._file.tell(), self._directory.tell()
        self._directory.seek(0)
        while block := self._directory.read(_BLOCK_BYTES):
            self._file.write(block)
        if self._count >= _MOST_16 or start + size >= _MOST_32:
            self._file.write(
                _ZIP64_END.pack(
                    b"PK\x06\x06", _ZIP64_END.size - 12, _MADE_ON_UNIX, _VERSION, 0, 0,
                    self._count, self._count, size, start,
                )
            )  # fmt: skip
            self._file.write(_ZIP64_LOCATOR.pack(b"PK\x06\x07", 0, start + size, 1))
        count = min(self._count, _MOST_16)
        self._file.write(
            _END.pack(
                b"PK\x05\x06", 0, 0, count, count, min(size, _MOST_32), min(start, _MOST_32), 0
            )
        )


def _local_header(name: bytes, crc: int, size: int) -> bytes:
    return _LOCAL.pack(
        b"PK\x03\x04", _VERSION, _UTF8_FLAG, _STORED, 0, _DATE, crc, size, size, len(name), 0
    ) + name  # fmt: skip


def _central_header(name: bytes, crc: int, size: int, offset: int) -> bytes:
    extra = _OFFSET_EXTRA.pack(1, 8, offset) if offset >= _MOST_32 else b""
    fields = _CENTRAL.pack(
        b"PK\x01\x02", _MADE_ON_UNIX, _VERSION, _UTF8_FLAG, _STORED, 0, _DATE, crc, size, size,
        len(name), len(extra), 0, 0, 0, _MODE, min(offset, _MOST_32),
    )  # fmt: skip
    return fields + name + extra


class StoredZip:
    """An archive that is open for strict reading. Raises ContributionError where it is none."""

    def __init__(self, file: IO[bytes], where: str) -> None:
        self._fd = file.fileno()
        self._where = where
        self.bytes = os.fstat(self._fd).st_size
        self.count, self._start, self._size = self._find_directory()

    def read(self, member: Member, begin: int = 0, most: int | None = None) -> bytes:
        """Return the bytes of a member from `begin` on, at most `most` of them."""
        left = member.size - begin
        return os.pread(self._fd, left if most is None else min(left, most), member.offset + begin)

    def chunks(self, member: Member) -> Iterator[bytes]:
        """Yield the bytes of a member, a mebibyte at a time."""
        for begin in range(0, member.size, _BLOCK_BYTES):
            yield self.read(member, begin, _BLOCK_BYTES)

    def members(self, *, again: bool = False) -> Iterator[Member]:
        """Yield the members in the order in which they lie.

        Where they are gone through `again`, the headers beside them are left alone.
        Raises ContributionError where their places cannot be trusted.
        """
        begins = 0
        place, end = self._start, self._start + self._size
        block, block_at = b"", place
        for number in range(1, self.count + 1):
            longest = _CENTRAL.size + _MOST_NAME_BYTES + _OFFSET_EXTRA.size
            if place + longest > block_at + len(block):
                block, block_at = os.pread(self._fd, min(_BLOCK_BYTES, end - place), place), place
            at = place - block_at
            member, used = self._member(block[at : at + longest], number, begins, again)
            begins = member.offset + member.size
            place += used
            yield member
        if begins != self._start or place != end:
            raise self._refuse("has bytes between its members and its directory")

    def _find_directory(self) -> tuple[int, int, int]:
        """Return (number of members, where the directory begins, its size)."""
        if os.pread(self._fd, 4, 0) not in (b"PK\x03\x04", b"PK\x05\x06"):
            raise self._refuse("is no zip archive")
        at = self.bytes - _END.size
        record = os.pread(self._fd, _END.size, at) if at >= 0 else b""
        if record[:4] != b"PK\x05\x06":
            raise self._refuse("is cut short, or has something appended", fix="ask for it again")
        _, disk, start_disk, count, total, size, start, comment = _END.unpack(record)
        if disk or start_disk or comment or count != total:
            raise self._refuse("is a zip of several parts, or has a comment")
        if count == _MOST_16 or _MOST_32 in (size, start):
            at, count, size, start = self._zip64_end(at)
        if count > MOST_MEMBERS:
            raise self._refuse(f"claims {count} members, more than {MOST_MEMBERS}")
        if start + size != at or size < count * (_CENTRAL.size + 1):
            raise self._refuse("has a directory that does not lie where it says")
        return count, start, size

    def _zip64_end(self, at: int) -> tuple[int, int, int, int]:
        locator_at = at - _ZIP64_LOCATOR.size
        record_at = locator_at - _ZIP64_END.size
        if record_at < 0:
            raise self._refuse("claims more than it holds")
        locator = _ZIP64_LOCATOR.unpack(os.pread(self._fd, _ZIP64_LOCATOR.size, locator_at))
        record = _ZIP64_END.unpack(os.pread(self._fd, _ZIP64_END.size, record_at))
        if locator != (b"PK\x06\x07", 0, record_at, 1) or record[0] != b"PK\x06\x06":
            raise self._refuse("claims more than it holds")
        _, length, _, _, disk, start_disk, count, total, size, start = record
        if length != _ZIP64_END.size - 12 or disk or start_disk or count != total:
            raise self._refuse("is a zip of several parts")
        return record_at, count, size, start

    def _member(self, data: bytes, number: int, begins: int, again: bool) -> tuple[Member, int]:
        """Return a member and the bytes that its entry in the directory takes."""
        if len(data) < _CENTRAL.size or data[:4] != b"PK\x01\x02":
            raise self._refuse(f"has a damaged directory at member {number}")
        (
            _, _, needs, flags, method, _, _, crc, packed, size, name_bytes, extra_bytes, comment,
            disk, _, attributes, offset,
        ) = _CENTRAL.unpack_from(data)  # fmt: skip
        used = _CENTRAL.size + name_bytes + extra_bytes
        if name_bytes == 0 or name_bytes > _MOST_NAME_BYTES or len(data) < used:
            raise self._refuse(f"has a name of {name_bytes} bytes at member {number}")
        raw = data[_CENTRAL.size : _CENTRAL.size + name_bytes]
        try:
            name = raw.decode()
        except UnicodeDecodeError as exc:
            raise self._refuse(f"has a name that is not UTF-8 at member {number}") from exc
        fault = _fault(name, flags, method, packed, size, attributes >> 16)
        extra = data[_CENTRAL.size + name_bytes : used]
        if offset == _MOST_32 and len(extra) == _OFFSET_EXTRA.size:
            kind, length, offset = _OFFSET_EXTRA.unpack(extra)
            extra = b"" if (kind, length) == (1, 8) else extra
        # Other programs refuse to open what says that it needs a later one.
        if extra or comment or disk or flags & _SIZE_LATER_FLAG or needs > _VERSION:
            fix = "it was zipped by another program: take the file that `weedset pack` wrote"
            raise self._refuse("has fields that are not used here", fix=fix, name=name)
        if offset != begins:
            raise self._refuse("overlaps its neighbour or leaves a gap", name=name)
        data_at = offset + _LOCAL.size + name_bytes
        if data_at + packed > self._start:
            raise self._refuse(f"claims {packed} bytes, more than there are", name=name)
        member = Member(name, data_at, packed, crc, fault)
        if again:
            return member, used
        header = os.pread(self._fd, _LOCAL.size + name_bytes, begins)
        local = _LOCAL.unpack_from(header)
        should = (b"PK\x03\x04", flags, method, crc, packed, size, name_bytes, 0)
        # left out: the time and date
        if (
            local[1] > _VERSION
            or (local[0], *local[2:4], *local[6:]) != should
            or header[_LOCAL.size :] != raw
        ):
            raise self._refuse("says one thing in the directory, another beside it", name=name)
        return member, used

    def _refuse(
        self, what: str, *, fix: str = "pack the batch again with weedset", name: str = ""
    ) -> ContributionError:
        where = f"{self._where}: {name}" if name else self._where
        return ContributionError(what, where=where, fix=fix)
