"""Labels from folders: one for each class, with pictures of that class in it.

Such pictures say nothing of the ground's scale, so they are never cut into cells: they
are kept apart, marked as of unknown scale.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path

from weedset.digests import write_whole
from weedset.errors import LabelError, StoreError
from weedset.images import encode_loose
from weedset.importers.masks import GROUND, UNKNOWN
from weedset.photofiles import PHOTO_SUFFIXES
from weedset.records import LoosePicture, Origin, Statement, Verdict
from weedset.settings import Workspace, loose_picture_path

#: The longest side of a picture of unknown scale, of which the full size says nothing.
LONGEST_PX = 1024


def class_pictures(root: Path) -> dict[str, list[Path]]:
    """Return the pictures of each class, by the name of its folder.

    Raises LabelError where there is no folder with pictures in it.
    """
    if not root.is_dir():
        raise LabelError("is no folder", where=str(root))
    found: dict[str, list[Path]] = {}
    for folder in sorted(path for path in root.iterdir() if path.is_dir()):
        inside = sorted(
            path for path in folder.iterdir()
            if path.suffix.lower() in PHOTO_SUFFIXES and not path.name.startswith(".")
        )  # fmt: skip
        if inside:
            found[folder.name] = inside
    if not found:
        fix = "put the pictures of each class into a folder of its name"
        raise LabelError("holds no folder with pictures", where=str(root), fix=fix)
    return found


def take_in(path: Path, workspace: Workspace) -> str:
    """Keep a picture in the workspace, and return its digest.

    Raises PhotoError where it cannot be read, StoreError where it cannot be written.
    """
    data, digest = encode_loose(path, LONGEST_PX)
    target = loose_picture_path(workspace, digest)
    try:
        write_whole(target, data)
    except OSError as exc:
        fix = "make room on the disk, then run the same command again"
        what = f"cannot be written ({exc.strerror})"
        raise StoreError(what, where=str(target), fix=fix) from exc
    return digest


def loose_pictures(
    names_of: Mapping[str, set[str]], meanings: Mapping[str, str], annotator: str
) -> Iterator[LoosePicture]:
    """Yield what is said of each picture, from the names of the folders it was found in.

    A picture that lies in several folders shows several plants.
    Raises LabelError where it is said to be bare ground and to show a plant.
    """
    for digest, names in sorted(names_of.items()):
        said = {meanings[name] for name in names}
        plants = frozenset(said - {GROUND, UNKNOWN})
        if GROUND in said and len(said) > 1:
            what = f"is bare ground and shows a plant: {', '.join(sorted(names))}"
            raise LabelError(what, where=f"picture {digest[:12]}", fix="leave it in one folder")
        yield LoosePicture(
            digest,
            Statement(
                annotator=annotator,
                origin=Origin.FOLDER,
                verdict=Verdict.BARE if said == {GROUND} else Verdict.PLANTS,
                present=plants,
                unknown_plant=UNKNOWN in said,
            ),
        )
