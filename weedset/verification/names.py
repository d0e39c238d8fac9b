"""What is wrong with the name of a file in an archive, in words."""

from __future__ import annotations

from weedset.contribution.batch import is_batch_id
from weedset.contribution.layout import name_order

_FIX = "pack the batch again with weedset"


def bag_of(name: str) -> str:
    """Return the folder that holds a bag, from the name of any file in it, or ""."""
    folder, slash, _ = name.partition("/")
    return folder if slash and is_batch_id(folder) else ""


def name_fault(name: str, bag: str) -> tuple[str, str] | None:
    """Return what is wrong with a name and what to do, or None where it belongs in `bag`.

    Only names of the exact form that packing gives are let through. The reasons told apart
    here are for people.
    """
    inside = name.removeprefix(f"{bag}/")
    if bag and inside != name and name_order(inside) is not None:
        return None
    if not name.isprintable():
        return "has a name with control characters or marks that turn the writing", _FIX
    if name.startswith(("/", "\\", "~")) or "\\" in name or ":" in name:
        return "has an absolute name, or one of another system", _FIX
    if ".." in name.split("/"):
        return "has a name that climbs out of the archive", _FIX
    if not name.isascii():
        return "has a name with letters beyond ASCII, which can look like others", _FIX
    if not bag or inside == name:
        return "does not lie in the one folder of the bag", _FIX
    if name_order(inside.lower()) is not None:
        return "has a name that differs from a right one in capitals alone", _FIX
    if inside == "fetch.txt":
        return "asks to fetch files from elsewhere, which is never done", _FIX
    return "does not belong in a contribution", "leave it out"
