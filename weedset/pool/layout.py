"""Where things lie in a pool folder, and how one comes about.

A pool is a folder: pool.json says that it is one; journal.jsonl is what happened, and the
only place that says how things stand; archives/ holds contributions as they came, named by
their SHA-256; marks/ what can be worked out from them again; editions/ what was frozen.
"""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from pathlib import Path

from weedset.digests import write_whole
from weedset.errors import PoolError
from weedset.fields import parse_json, read_text

#: In the folder of an edition: the digest of each of its files, as `sha256sum` writes them.
MANIFEST = "manifest-sha256.txt"
_LINE = re.compile(r"([0-9a-f]{64})  ([a-z0-9][a-z0-9.-]*|README\.md)")

_SCHEMA = "weedset pool"
_VERSION = 1


def listed(manifest: bytes, where: str) -> dict[str, str]:
    """Return the digest of each file that a manifest lists, whoever wrote it.

    Raises PoolError where it is none, lists nothing, or a file twice.
    """
    found: dict[str, str] = {}
    for line in manifest.decode("utf-8", "replace").splitlines():
        match = _LINE.fullmatch(line)
        if match is None or match[2] in found:
            raise PoolError("lists what no edition holds", where=where, fix="do not use it")
        found[match[2]] = match[1]
    if not found:
        raise PoolError("lists no file of an edition", where=where, fix="do not use it")
    return found


@dataclass(frozen=True, slots=True)
class Pool:
    """A pool folder that is known to be one."""

    root: Path

    @property
    def marker(self) -> Path:
        """The file that says that this is a pool."""
        return self.root / "pool.json"

    @property
    def journal(self) -> Path:
        """The journal."""
        return self.root / "journal.jsonl"

    @property
    def lock(self) -> Path:
        """The file that whoever writes holds locked."""
        return self.root / "lock"

    @property
    def archives(self) -> Path:
        """The folder of contributions."""
        return self.root / "archives"

    @property
    def editions(self) -> Path:
        """The folder of editions."""
        return self.root / "editions"

    def archive(self, digest: str) -> Path:
        """Return where the contribution with this SHA-256 lies."""
        return self.archives / f"{digest}.zip"

    def marks(self, digest: str) -> Path:
        """Return where the marks by which its tiles are known again lie."""
        return self.root / "marks" / f"{digest}.npy"

    def edition(self, number: int) -> Path:
        """Return the folder of an edition."""
        return self.editions / f"{number:04d}"


def create_pool(root: Path) -> Pool:
    """Make a pool folder, or finish making one. Raises PoolError where other things lie there."""
    marker = Pool(root).marker
    if not marker.exists() and root.exists() and any(root.iterdir()):
        fix = "choose a new or an empty folder"
        raise PoolError("holds other things already", where=str(root), fix=fix)
    text = json.dumps({"schema": _SCHEMA, "version": _VERSION}) + "\n"
    try:
        write_whole(marker, text)
    except OSError as exc:
        raise written_in_vain(marker, exc) from exc
    return open_pool(root)


def open_pool(root: Path) -> Pool:
    """Return the pool at `root`. Raises PoolError where there is none, or a newer one."""
    marker = Pool(root).marker
    if not marker.exists():
        fix = f"make one with: weedset pool new {root}"
        raise PoolError("is no pool", where=str(root), fix=fix)
    fields = parse_json(read_text(marker, PoolError), str(marker), PoolError)
    fields.choice("schema", (_SCHEMA,))
    version = fields.whole("version", least=1, most=10**6)
    if version > _VERSION:
        what = f"is {version}, newer than this weedset knows ({_VERSION})"
        raise fields.complaint("version", what, "install a newer weedset")
    return Pool(root)


def written_in_vain(path: Path, exc: OSError) -> PoolError:
    """Return the error for a file that cannot be written."""
    return PoolError(
        f"cannot be written ({exc.strerror or exc})",
        where=str(path),
        fix="make room on the disk or see to its permissions, then give the command again: "
        "what was finished is kept",
    )
