"""From photos to the first tiles: what is left to do in a folder, and the words to type."""

from __future__ import annotations

import shlex
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

from weedset.errors import SettingsError, WeedsetError
from weedset.images import PHOTO_SUFFIXES
from weedset.pool.index import INDEX
from weedset.profile import read_camera_profile
from weedset.settings import SETTINGS_NAME

#: More entries of a folder than this are not looked at.
_MOST_LOOKED_AT = 100_000

#: Files by which folders of weedset are known, and what such a folder is.
MARKERS = {
    SETTINGS_NAME: "workspace", "pool.json": "pool", INDEX: "edition", "release.json": "release",
    "run.json": "run",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Step:
    """A command that may come next, and what it is good for. Words in capitals are yours."""

    why: str
    command: str


def to_first_tiles(path: Path) -> Iterator[Step]:
    """Yield what is left to do from photos to tiles, seen from a workspace or a plain folder."""
    is_workspace = (path / SETTINGS_NAME).is_file()
    beside = path.absolute().parent if is_workspace else path
    photos, profiles = photos_near(beside), list(profiles_in(beside))
    folder = max(photos, key=lambda path: len(photos[path]), default=beside / "photos")
    if not photos:
        yield Step(
            "photograph the ground straight down, with a folding rule in the first picture, and "
            "put the photos here",
            f"mkdir -p {_short(folder)}",
        )
    if not profiles:
        first = folder / (photos[folder][0] if photos else "FIRST.jpg")
        yield Step(
            "see what a photo tells of its scale (there is no camera profile here yet)",
            f"weedset camera explain {_short(first)}",
        )
        yield Step(
            "then point at the two ends of something of known length in it",
            f"weedset camera from-object {_short(first)} --from X,Y --to X,Y --length-mm MM "
            "--out camera.toml",
        )
    profile = _short(profiles[0]) if profiles else "camera.toml"
    workspace = _short(path) if is_workspace else "garden"
    if not is_workspace:
        yield Step("start a workspace", f"weedset new {workspace}")
    yield Step(
        "cut the photos into tiles",
        f"weedset tile {_short(folder)} --camera {profile} --site SITE -w {workspace}",
    )


def _short(path: Path) -> str:
    """Return a path as one would type it here."""
    here = Path.cwd()
    absolute = path.absolute()
    inside = absolute.relative_to(here) if absolute.is_relative_to(here) else path
    return shlex.quote(str(inside))


def below(path: Path) -> list[Path]:
    """Return what lies in a folder, by name. Raises SettingsError where it cannot be read."""
    try:
        return sorted(islice(path.iterdir(), _MOST_LOOKED_AT))
    except OSError as exc:
        what = f"cannot be looked into ({exc.strerror})"
        raise SettingsError(what, where=str(path)) from exc


def photos_near(path: Path) -> dict[Path, list[str]]:
    """Return the names of photos by folder: of this one, and of those in it."""
    folders = [path, *(item for item in below(path) if item.is_dir() and item.name[0] != ".")]
    found = {}
    for folder in folders:
        if folder != path and any((folder / marker).is_file() for marker in MARKERS):
            continue
        names = [item.name for item in below(folder) if item.suffix.lower() in PHOTO_SUFFIXES]
        if names:
            found[folder] = names
    return found


def profiles_in(path: Path) -> Iterator[Path]:
    """Yield the camera profiles in a folder."""
    for item in below(path):
        if item.suffix == ".toml" and item.name != SETTINGS_NAME:
            try:
                read_camera_profile(item)
            except WeedsetError:
                continue  # a policy, a recipe, or another program's
            yield item
