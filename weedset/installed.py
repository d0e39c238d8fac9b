"""What of weedset is installed here, and for whose work it is enough.

Which packages each part needs, in which versions, is read from the installed package's own
description, which was made from pyproject.toml: there is no second list.
"""

from __future__ import annotations

import os
import platform
import shutil
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from importlib import metadata
from pathlib import Path

from weedset.errors import MissingPartError

#: Whose work needs which part; the base install is the part "".
JOURNEYS = {
    "gardener": ("", "desk"),
    "training": ("", "desk", "train"),
    "contributor": ("", "desk"),
    "maintainer": ("", "desk", "pool", "train"),
    "board": ("",),
}

#: Room for the tiles of some hundred photos; common practice, no source.
_LEAST_FREE_MB = 500


@dataclass(frozen=True, slots=True)
class Need:
    """One thing that was looked at; `fix` says what to do where it is not `fine`.

    `part` is the part of weedset that needs it, "" for the base install.
    """

    part: str
    name: str
    needs: str
    found: str
    fine: bool
    fix: str = ""


def journey_needs(journey: str) -> list[Need]:
    """Return all that the work of `journey` needs, and whether it is there."""
    return [need for part in JOURNEYS[journey] for need in package_needs(part)]


def package_needs(part: str) -> Iterator[Need]:
    """Yield the packages that one part of weedset asks for, without those of other parts.

    Raises MissingPartError where weedset runs from a folder in which it is not installed.
    """
    try:
        from packaging.requirements import Requirement
    except ModuleNotFoundError as exc:
        fix = "pip install 'weedset[desk]'"
        raise MissingPartError("packaging is not installed", fix=fix) from exc
    install = (
        f"pip install --upgrade 'weedset[{part}]'" if part else "pip install --upgrade weedset"
    )
    for line in _description().get_all("Requires-Dist") or []:
        wanted = Requirement(line)
        here = wanted.marker is None or wanted.marker.evaluate({"extra": part})
        always = wanted.marker is None or wanted.marker.evaluate({"extra": ""})
        if not here or wanted.name == "weedset" or (part and always):
            continue
        try:
            version = metadata.version(wanted.name)
        except metadata.PackageNotFoundError:
            version = ""
        fits = bool(version) and wanted.specifier.contains(version, prereleases=True)
        needs = str(wanted.specifier) or "any version"
        yield Need(part, wanted.name, needs, version or "not installed", fits, install)


def machine_needs(folder: Path) -> Iterator[Need]:
    """Yield whether Python, the system and the folder to work in are fit."""
    from packaging.specifiers import SpecifierSet

    needs, version = _description()["Requires-Python"], platform.python_version()
    fits = SpecifierSet(needs).contains(version, prereleases=True)
    yield Need("", "Python", needs, version, fits, f"install a Python {needs}")
    bits = struct.calcsize("P") * 8
    fix = "install a 64-bit system and Python: there is no onnxruntime for 32 bits"
    yield Need("", "word size", "64 bit", f"{bits} bit", bits >= 64, fix)
    existing = next(path for path in (folder, *folder.absolute().parents) if path.exists())
    may_write = existing.is_dir() and os.access(existing, os.W_OK)
    fix = f"make {existing} writable, or work in another folder"
    found = "may be written" if may_write else "may not be written"
    yield Need("", f"folder {folder}", "may be written", found, may_write, fix)
    free_mb = shutil.disk_usage(existing).free // 1_000_000
    fix = "make room on the disk"
    enough = free_mb >= _LEAST_FREE_MB
    yield Need("", "free disk", f">={_LEAST_FREE_MB} MB", f"{free_mb} MB", enough, fix)


def _description() -> metadata.PackageMetadata:
    try:
        return metadata.metadata("weedset")
    except metadata.PackageNotFoundError as exc:
        fix = "pip install -e '.[desk]' in its folder"
        raise MissingPartError("weedset itself is not installed", fix=fix) from exc
