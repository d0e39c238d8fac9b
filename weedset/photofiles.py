"""Which files are photos, by their names, and where a photo of a workspace lies."""

from __future__ import annotations

from pathlib import Path

from weedset.drawn import is_drawn
from weedset.errors import PhotoError
from weedset.records import Photo

#: File name endings that a folder is searched for.
PHOTO_SUFFIXES = frozenset({".jpg", ".jpeg", ".png", ".tif", ".tiff", ".webp"})

#: Endings of photos that phones and cameras write too, and that cannot be read here.
_UNREAD_SUFFIXES = frozenset({".heic", ".heif", ".dng"})

#: What to do about them.
AS_JPEG = "set the phone or camera to JPEG, or convert them"

_MASK_ENDING = "_mask"


def find_photos(paths: list[Path]) -> list[Path]:
    """Return the photos among files and folders (not searched deeper), in name order.

    Raises PhotoError where a path is absent, a folder holds no photo, a file is named as a mask
    is, or weedset drew it itself.
    """
    found: list[Path] = []
    for path in paths:
        if path.is_dir():
            inside = sorted(
                item
                for item in path.iterdir()
                if item.suffix.lower() in PHOTO_SUFFIXES
                and not item.name.startswith(".")
                and not item.stem.endswith(_MASK_ENDING)
                and not is_drawn(item)
            )
            if not inside:
                raise PhotoError("holds no photo", where=str(path), fix=_where_to_look(path))
            found += inside
        elif path.stem.endswith(_MASK_ENDING):
            fix = "leave it out; `weedset import masks` takes it in once its photo is tiled"
            raise PhotoError("is named as a mask, not as a photo", where=str(path), fix=fix)
        elif is_drawn(path):
            fix = "leave it out, and name the photo that it was made of"
            raise PhotoError("was drawn by weedset and is no photo", where=str(path), fix=fix)
        elif path.exists():
            found.append(path)
        else:
            raise PhotoError("there is no such file or folder", where=str(path))
    return list(dict.fromkeys(found))


def _where_to_look(folder: Path) -> str:
    """Return what to do about a folder without photos: they may lie one folder deeper."""
    if unread := unread_in(folder):
        return f"photos such as {unread[0].name} cannot be read here: {AS_JPEG}"
    for inside in sorted(item for item in folder.iterdir() if item.is_dir()):
        if any(item.suffix.lower() in PHOTO_SUFFIXES for item in inside.iterdir()):
            return f"folders inside are not searched: name the one you mean, such as {inside}"
    return f"photos end in {', '.join(sorted(PHOTO_SUFFIXES))}"


def unread_in(folder: Path) -> list[Path]:
    """Return the photos in a folder that cannot be read here, by name."""
    return sorted(item for item in folder.iterdir() if item.suffix.lower() in _UNREAD_SUFFIXES)


def path_of(photo: Photo) -> Path:
    """Return where a photo of a workspace lies. Raises PhotoError where it was moved."""
    path = Path(photo.path)
    if not path.exists():
        raise PhotoError(
            "is not where it was when it was tiled",
            where=photo.path,
            fix="put it back; or give the `weedset tile` command again, with the folder in which "
            "the photos lie now, the same --camera and --site, and --again",
        )
    return path
