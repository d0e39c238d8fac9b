"""Handing an archive over: a copy into a folder, or to an address that fsspec knows.

The copy takes its name once it is whole. Nothing is sent but what the person names, to
where the person says; nothing is ever fetched.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from weedset.digests import aside_of, blocks_digest, blocks_of, copy_whole, file_digest
from weedset.errors import ContributionError, MissingPartError, why_unreadable
from weedset.fields import require_file


def submit(archive: Path, to: str) -> str:
    """Copy `archive` into a folder or to an address such as s3://pool/in, and return where it is.

    A copy that is there already, byte for byte, is left as it is.
    Raises ContributionError where another file has its name or the copying fails,
    MissingPartError where fsspec, or what it needs for this kind of address, is absent.
    """
    try:
        require_file(archive)
    except OSError as exc:
        raise ContributionError(why_unreadable(exc), where=str(archive)) from exc
    if "://" not in to:
        return str(_submit_to_folder(archive, Path(to)))
    return _submit_to_address(archive, to)


def _submit_to_folder(archive: Path, folder: Path) -> Path:
    target = folder / archive.name
    if not folder.is_dir():
        raise ContributionError("is no folder", where=str(folder), fix="make it first")
    try:
        if target.exists():
            if file_digest(target) == file_digest(archive):
                return target
            raise _taken(str(target))
        copy_whole(archive, target)
    except OSError as exc:
        raise _failed(str(target), exc.strerror or str(exc)) from exc
    return target


def _submit_to_address(archive: Path, to: str) -> str:
    try:
        import fsspec
    except ModuleNotFoundError as exc:
        fix = "pip install 'weedset[desk]'"
        raise MissingPartError("sending to an address needs the desk part", fix=fix) from exc
    target = f"{to.rstrip('/')}/{archive.name}"
    try:
        system, path = fsspec.core.url_to_fs(target)
    except (ImportError, ValueError) as exc:
        fix = "install the part of fsspec for this kind of address"
        raise MissingPartError(f"cannot be reached: {exc}", where=target, fix=fix) from exc
    try:
        if system.exists(path):
            with system.open(path, "rb") as there:
                if blocks_digest(blocks_of(there)) == file_digest(archive):
                    return target
            raise _taken(target)
        _put_whole(system, archive, path)
    except ContributionError:
        raise
    except Exception as exc:  # each kind of address has failures of its own
        raise _failed(target, str(exc)) from exc
    return target


def _put_whole(system: Any, archive: Path, path: str) -> None:
    """Write aside, look at the size, then rename; what failed is removed."""
    folder, _, name = path.rpartition("/")
    aside = f"{folder}/{aside_of(Path(name)).name}"
    try:
        system.put_file(str(archive), aside)
        if system.size(aside) != archive.stat().st_size:
            raise ContributionError("arrived with another size", where=path, fix="send it again")
        system.mv(aside, path)
    except BaseException:
        if system.exists(aside):
            system.rm(aside)
        raise


def _taken(target: str) -> ContributionError:
    fix = "rename yours, or ask the maintainer to remove the other"
    return ContributionError("is there already, with other content", where=target, fix=fix)


def _failed(target: str, why: str) -> ContributionError:
    return ContributionError(
        f"could not be copied ({why})", where=target, fix="see to it, then submit again"
    )
