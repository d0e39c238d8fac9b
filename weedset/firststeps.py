"""From photos to the first tiles: what is left to do in a folder, and the words to type."""

from __future__ import annotations

import shlex
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

from weedset.drawn import is_drawn
from weedset.errors import SettingsError, WeedsetError
from weedset.fields import read_toml
from weedset.images import open_photo
from weedset.photofiles import PHOTO_SUFFIXES, unread_in
from weedset.pool.index import INDEX
from weedset.profile import read_camera_profile
from weedset.settings import SETTINGS_NAME

#: More entries of a folder than this are not looked at.
_MOST_LOOKED_AT = 100_000

#: Nor is more than so many folders in a folder, and so many in these.
_MOST_FOLDERS = 200

#: How `weedset import masks` knows pictures that say what a photo shows.
_MASK = "_mask"

#: By files of these kinds a folder in weedset's source is known as a part of it.
_OF_SOURCE = (".py", ".md", ".html")

#: EXIF does not need the pixels: a photo is decoded as small as it can be.
_LEAST_SHARE = 0.01

#: Files by which folders of weedset are known, and what such a folder is.
MARKERS = {
    SETTINGS_NAME: "workspace", "pool.json": "pool", INDEX: "edition", "release.json": "release",
    "run.json": "run", "checkpoint.safetensors": "unfinished run",
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
            f"mkdir -p {short(folder)}",
        )
    if not profiles:
        first = folder / (photos[folder][0] if photos else "FIRST.jpg")
        yield Step(
            "see what a photo tells of its scale (there is no camera profile here yet)",
            f"weedset camera explain {short(first)}",
        )
        yield Step(
            "then point at the two ends of something of known length in it",
            f"weedset camera from-object {short(first)} --from X,Y --to X,Y --length-mm MM "
            "--out camera.toml",
        )
    profile = short(profiles[0]) if profiles else "camera.toml"
    workspace = short(path) if is_workspace else "garden"
    if not is_workspace:
        yield Step("start a workspace", f"weedset new {workspace}")
    yield Step(
        "cut the photos into tiles",
        f"weedset tile {short(folder)} --camera {profile} --site SITE -w {workspace}",
    )


def short(path: Path) -> str:
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
    """Return the names of photos by folder: of this one, those in it, and those in these.

    What weedset drew is no photo, nor is a mask. In weedset's own source, its manual say, only
    pictures that a camera took, or that lie in a folder of photos by its name, are somebody's.
    """
    own, found = own_source(path), {}
    for folder in _folders_near(path):
        names = _photos_in(folder)
        if names and not (own and _is_no_camera(folder, names)):
            found[folder] = names
    return found


def unread_near(path: Path) -> dict[Path, int]:
    """Return how many photos cannot be read here, by folder, where `photos_near` looks."""
    found = {}
    for folder in _folders_near(path):
        try:
            found[folder] = len(unread_in(folder))
        except OSError:
            continue  # not ours to read
    return {folder: count for folder, count in found.items() if count}


def _folders_near(path: Path) -> list[Path]:
    """Return this folder, those in it, and those in these."""
    inside = _folders_in(path)
    deeper = [item for folder in inside[:_MOST_FOLDERS] for item in _folders_in(folder)]
    return [path, *inside, *deeper[:_MOST_FOLDERS]]


def _folders_in(path: Path) -> list[Path]:
    """Return the folders in a folder that are not hidden and nothing of weedset's themselves."""
    try:
        return [
            item
            for item in below(path)
            if item.is_dir()
            and item.name[0] != "."
            and not any((item / marker).is_file() for marker in MARKERS)
        ]
    except (SettingsError, OSError):
        return []  # not ours to read


def _photos_in(folder: Path) -> list[str]:
    """Return the names of the photos in a folder."""
    try:
        items = [item for item in below(folder) if item.suffix.lower() in PHOTO_SUFFIXES]
    except SettingsError:
        return []
    return [item.name for item in items if not (item.stem.endswith(_MASK) or is_drawn(item))]


def _is_no_camera(folder: Path, names: list[str]) -> bool:
    """Tell whether pictures are no photos, by the name of their folder and the first's EXIF."""
    if "photo" in folder.name.lower():
        return False
    try:
        exif = open_photo(folder / names[0], least_share=_LEAST_SHARE).exif
    except WeedsetError:
        return True
    return exif.focal_length_mm is None and exif.taken_at is None


def own_source(path: Path) -> Path | None:
    """Return the source of weedset, as from its repository, that a folder is, or is a part of.

    A folder within it that holds neither program nor manual is somebody's own.
    """
    if _is_source(path):
        return path
    root = next(filter(_is_source, path.absolute().parents), None)
    try:
        part = any(item.suffix in _OF_SOURCE for item in below(path))
    except SettingsError:
        return None
    return root if part else None


def _is_source(path: Path) -> bool:
    try:
        project = read_toml(path / "pyproject.toml", SettingsError).table("project")
        return project.text("name") == "weedset"
    except WeedsetError:
        return False


def profiles_in(path: Path) -> Iterator[Path]:
    """Yield the camera profiles in a folder."""
    for item in below(path):
        if item.suffix == ".toml" and item.name != SETTINGS_NAME:
            try:
                read_camera_profile(item)
            except WeedsetError:
                continue  # a policy, a recipe, or another program's
            yield item
