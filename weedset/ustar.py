"""Members of a tar file (POSIX.1-1988 ustar), written many times as quickly as tarfile does.

tarfile takes a tenth of the time in which a photo is cut, and half of that in which an edition
is frozen. The bytes are the same: members without date, owner or machine.
"""

from __future__ import annotations

import tarfile

#: What ends a tar file: two empty blocks, and more until the whole is a multiple of RECORD.
END_BYTES = 2 * tarfile.BLOCKSIZE
RECORD_BYTES = tarfile.RECORDSIZE

#: A header takes one block for names up to so many bytes.
MOST_NAME_BYTES = 100

_EMPTY_HEADER = tarfile.TarInfo("").tobuf(tarfile.USTAR_FORMAT)


def member_header(name: str, size: int) -> bytes:
    """Return the block before a member of `size` bytes; only what differs is written anew."""
    encoded = name.encode("ascii")
    assert len(encoded) <= MOST_NAME_BYTES
    header = bytearray(_EMPTY_HEADER)
    header[: len(encoded)] = encoded
    header[124:135] = b"%011o" % size
    header[148:156] = b" " * 8  # of which the check sum is taken
    header[148:156] = b"%06o\0 " % sum(header)
    return bytes(header)


def padding(size: int) -> bytes:
    """Return what follows the `size` bytes of a member until the next block begins."""
    return bytes(-size % tarfile.BLOCKSIZE)
