"""What lies in a folder that is nothing by itself, in the order of the way that data take."""

from __future__ import annotations

import json
import shlex
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import groupby
from pathlib import Path

from weedset.contribution.layout import BATCH
from weedset.errors import SettingsError, WeedsetError
from weedset.fields import read_toml
from weedset.firststeps import (
    MARKERS,
    Step,
    below,
    own_source,
    photos_near,
    to_first_tiles,
    unread_near,
)
from weedset.photofiles import AS_JPEG
from weedset.profile import read_camera_profile
from weedset.settings import SETTINGS_NAME
from weedset.talk import counted

#: What can lie in a folder, in the order of the way from a camera to a model in use.
_WAY = (
    "camera profile", "photos", "workspace", "contribution", "pool", "edition", "recipe",
    "unfinished run", "run", "model file", "policy", "release",
)  # fmt: skip

#: Of these the words say all that there is to say before there is a workspace to use them in.
_NO_STEP = ("camera profile", "photos", "recipe", "policy")

#: A batch's facts fill a few kilobytes; a stranger's archive may claim any size.
_MOST_BATCH_BYTES = 1_000_000


@dataclass(frozen=True, slots=True)
class Holding:
    """What lies at a path: its kind, in words what is in it, and what comes next.

    `alone` is the workspace in a folder where there is nothing else to see more of.
    """

    kind: str
    words: tuple[str, ...]
    steps: tuple[Step, ...]
    facts: dict[str, object] = field(default_factory=dict)
    alone: Path | None = None


def plain_folder(path: Path) -> Holding:
    """Describe a folder that is nothing by itself: where a newcomer stands.

    Raises SettingsError where it cannot be read.
    """
    found = [(kind, item) for item in below(path) if (kind := _kind(item))]
    found.sort(key=lambda pair: _WAY.index(pair[0]))
    photos, kinds = photos_near(path), [kind for kind, _ in found]
    words = [f"{item.name}: {kind}" for kind, item in found]
    at = kinds.count("camera profile")
    words[at:at] = [
        f"{folder.relative_to(path)}: {counted(len(names), 'photo')}"
        for folder, names in photos.items()
    ] + [
        f"{folder.relative_to(path)}: {counted(count, 'photo')} that cannot be read here "
        f"(HEIC or raw): {AS_JPEG}"
        for folder, count in unread_near(path).items()
    ]
    facts: dict[str, object] = {"photos": sum(map(len, photos.values()))}
    steps: list[Step] = []
    if own := own_source(path):
        part = "" if own == path else "part of "
        words.insert(0, f"{part}weedset's own folder: its program, its manual and its tests")
        steps.append(_demo(own))
    begun = photos or "camera profile" in kinds
    if "workspace" not in kinds and (begun or not (own or found)):
        steps += to_first_tiles(path)
    for kind, of_kind in groupby(found, key=lambda pair: pair[0]):
        items = [item for _, item in of_kind]
        if kind not in _NO_STEP:
            others = f" (one of {len(items)} {kind}s)" if len(items) > 1 else ""
            steps.append(Step(f"see more of {items[0].name}{others}", see_more(items[0])))
    more = [item for kind, item in found if kind not in _NO_STEP]
    alone = more[0] if len(more) == 1 and "workspace" in kinds else None
    said = tuple(words or ["nothing that weedset knows"])
    return Holding("folder", said, tuple(steps), facts, alone)


def see_more(path: Path) -> str:
    """Return the command that describes what lies at a path."""
    return f"weedset status {shlex.quote(str(path))}"


def _demo(path: Path) -> Step:
    if (path / "demo").is_dir():
        demo = shlex.quote(str(path / "demo"))
        return Step("see what the demo made", f"weedset status {demo}")
    make = "make demo" if path.resolve() == Path.cwd() else f"make -C {shlex.quote(str(path))} demo"
    return Step("see the whole job on drawn gardens, with nothing of your own", make)


def _kind(item: Path) -> str:
    """Return what an entry of a folder is, "" where it is nothing to name or cannot be read."""
    if item.is_dir():
        return next((kind for name, kind in MARKERS.items() if (item / name).is_file()), "")
    match item.suffix.lower():
        case ".onnx":
            return "model file"
        case ".zip":
            return "contribution" if packed_batch(item) else ""
        case ".toml" if item.name != SETTINGS_NAME:
            return _toml_kind(item)
    return ""


def _toml_kind(item: Path) -> str:
    try:
        fields = read_toml(item, SettingsError)
        if "remove" in fields:
            return "policy"
        if "backbone" in fields:
            return "recipe"
        read_camera_profile(item)
    except WeedsetError:
        return ""  # another program's
    return "camera profile"


def packed_batch(path: Path) -> str:
    """Return under which id the archive at `path` gives a batch, "" where it gives none."""
    try:
        with zipfile.ZipFile(path) as archive:
            names = [name for name in archive.namelist() if name.partition("/")[2] == BATCH]
            if len(names) != 1 or archive.getinfo(names[0]).file_size > _MOST_BATCH_BYTES:
                return ""
            table = json.loads(archive.read(names[0]))
    except (OSError, zipfile.BadZipFile, ValueError, RuntimeError, NotImplementedError):
        return ""  # `weedset check` says what is wrong with it
    return str(table.get("eventID", "")) if isinstance(table, dict) else ""


def packed_near(workspace: Path, batch: str) -> Iterator[Path]:
    """Yield the archives of a batch that lie where one is, or beside the workspace."""
    for folder in dict.fromkeys((Path(), workspace.parent)):
        for item in below(folder):
            if item.suffix.lower() == ".zip" and packed_batch(item) == batch:
                yield item
