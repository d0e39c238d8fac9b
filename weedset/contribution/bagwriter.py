"""Writing a bag (BagIt 1.0, RFC 8493): its files into a zip, and the manifests of these.

Manifests wait in unnamed files on the disk, so memory does not grow with the files.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from contextlib import ExitStack
from typing import IO

from weedset.contribution.layout import (
    BAG_INFO,
    BAGIT,
    BAGIT_TEXT,
    MANIFEST,
    TAG_MANIFEST,
    bag_info,
)
from weedset.digests import blocks_digest, blocks_of, bytes_digest
from weedset.storedzip import StoredZipWriter


class BagWriter:
    """A bag that is being written: an archive, and the manifest of what went in."""

    def __init__(self, file: IO[bytes], name: str, stack: ExitStack) -> None:
        self._zip = stack.enter_context(StoredZipWriter(file))
        self._name = name
        self._manifest = stack.enter_context(tempfile.TemporaryFile())  # noqa: SIM115
        self._octets = self._streams = 0

    def add_payload(self, name: str, data: bytes) -> None:
        """Add a file of the payload that is at hand as a whole."""
        self._zip.add_bytes(f"{self._name}/{name}", data)
        self._list(name, bytes_digest(data), len(data))

    def add_payload_file(self, name: str, source: IO[bytes]) -> None:
        """Add a file of the payload, block by block."""
        digest = blocks_digest(_blocks(source))
        size = self._zip.add(f"{self._name}/{name}", _blocks(source))
        self._list(name, digest, size)

    def _list(self, name: str, digest: str, size: int) -> None:
        self._manifest.write(f"{digest}  {name}\n".encode())
        self._octets += size
        self._streams += 1

    def finish(self) -> None:
        """Add the tag files (RFC 8493, 2.1 and 2.2) and the zip's own directory."""
        digests = {MANIFEST: blocks_digest(_blocks(self._manifest))}
        self._zip.add(f"{self._name}/{MANIFEST}", _blocks(self._manifest))
        info = bag_info(self._name, self._octets, self._streams)
        for name, text in ((BAGIT, BAGIT_TEXT), (BAG_INFO, info)):
            self._zip.add_bytes(f"{self._name}/{name}", text.encode())
            digests[name] = bytes_digest(text.encode())
        lines = "".join(f"{digest}  {name}\n" for name, digest in digests.items())
        self._zip.add_bytes(f"{self._name}/{TAG_MANIFEST}", lines.encode())
        self._zip.finish()


def _blocks(source: IO[bytes]) -> Iterator[bytes]:
    source.seek(0)
    return blocks_of(source)
