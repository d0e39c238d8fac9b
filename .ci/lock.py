"""Write the versions that this environment holds: a lock, for installing the same elsewhere.

Only packages that weedset asks for, in whichever of its parts, directly or through others;
whatever else lies in the environment is left out. Nothing is asked of the network.
"""

from __future__ import annotations

import sys
import tomllib
from collections.abc import Iterator
from importlib import metadata
from pathlib import Path

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name


def reached() -> dict[str, metadata.Distribution]:
    """Return the installed packages that weedset reaches, by name. Exits where one is missing."""
    found: dict[str, metadata.Distribution] = {}
    waiting = asked_for()
    seen = set()
    while waiting:
        wanted = waiting.pop()
        name = canonicalize_name(wanted.name)
        key = (name, frozenset(wanted.extras))
        if key in seen or name == "weedset":
            continue
        seen.add(key)
        try:
            found[name] = metadata.distribution(name)
        except metadata.PackageNotFoundError:
            sys.exit(f"{name} is not installed: run `make env` first")
        waiting += needs(found[name], wanted.extras)
    return dict(sorted(found.items()))


def asked_for() -> list[Requirement]:
    """Return what pyproject.toml asks for, in all parts."""
    text = Path(__file__).resolve().parent.parent.joinpath("pyproject.toml").read_text("utf-8")
    project = tomllib.loads(text)["project"]
    parts = [project["dependencies"], *project["optional-dependencies"].values()]
    return [Requirement(line) for part in parts for line in part]


def needs(package: metadata.Distribution, extras: set[str]) -> Iterator[Requirement]:
    """Yield what a package asks for on this computer, with some of its extras."""
    for line in package.requires or []:
        wanted = Requirement(line)
        if wanted.marker is None or any(
            wanted.marker.evaluate({"extra": extra}) for extra in ("", *extras)
        ):
            yield wanted


def lock() -> str:
    """Return the lock: a pip constraints file. Names no place to download from."""
    lines = [
        "# The versions that the tests of this release ran with, on Linux, x86_64, CPython",
        f"# {sys.version_info[0]}.{sys.version_info[1]}. Written by `make lock`. To use it:"
        " pip install -c requirements.lock '.[desk]'",
    ]
    lines += [f"{name}=={package.version}" for name, package in reached().items()]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    sys.stdout.write(lock())
