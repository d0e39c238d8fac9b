"""Cutting photos into equal ground cells, one archive of tiles per photo."""

from __future__ import annotations

import io
import multiprocessing
import os
import tarfile
from collections.abc import Iterator, Sequence
from concurrent.futures import Executor, ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from weedset.digests import whole_file
from weedset.errors import CameraError, PhotoError, StoreError, WeedsetError
from weedset.geometry import cell_footprint, inside_share, lay_grid, photo_footprint
from weedset.images import OpenedPhoto, encode_tile, open_photo
from weedset.preprocess import cut_tiles, ground_picture
from weedset.records import CameraProfile, Photo, Tile
from weedset.scale import photo_scale
from weedset.settings import Workspace, tile_archive

#: A tar member's data starts after one header block (POSIX.1-1988 ustar).
_TAR_HEADER_BYTES = 512

#: Few photos are not worth the start of a second process (about half a second).
_LEAST_PHOTOS_PER_WORKER = 3


@dataclass(frozen=True, slots=True)
class CutPhoto:
    """A photo with its tiles, as they now lie in its archive."""

    photo: Photo
    tiles: tuple[Tile, ...]


@dataclass(frozen=True, slots=True)
class CutResult:
    """What became of one photo: tiles, an error, or neither where it was known already."""

    path: Path
    cut: CutPhoto | None
    error: WeedsetError | None


def plan_photo(
    opened: OpenedPhoto, profile: CameraProfile, workspace: Workspace, path: Path
) -> Photo:
    """Return the record of a photo as it would be cut.

    Raises CameraError where its scale cannot be known, PhotoError where no cell fits.
    """
    where = str(path)
    scale = photo_scale(profile, opened.exif, opened.width_px, opened.height_px, where)
    footprint = photo_footprint(opened.width_px, opened.height_px, scale.gsd_mm_per_px)
    grid = lay_grid(footprint, workspace.cell_mm, workspace.edge)
    if grid.rows == 0 or grid.cols == 0:
        raise PhotoError(
            f"covers {footprint.x_max_mm * 2:.0f} x {footprint.y_max_mm * 2:.0f} mm of ground, "
            f"less than one cell of {workspace.cell_mm:g} mm",
            where=where,
            fix="check the height in the camera profile, or start a workspace of smaller cells",
        )
    if grid.rows * grid.cols > 100_000:
        raise CameraError(
            f"would cover {grid.rows * grid.cols} cells at {scale.gsd_mm_per_px:g} mm/px",
            where=where,
            fix="check the height and the scale in the camera profile",
        )
    return Photo(
        digest=opened.digest,
        name=path.name,
        path=str(path.resolve()),
        width_px=opened.width_px,
        height_px=opened.height_px,
        taken_at=opened.exif.taken_at,
        camera=profile.name,
        scale=scale,
        grid=grid,
        tile_px=workspace.tile_px,
        edge=workspace.edge,
    )


def cut_photo(
    path: Path, profile: CameraProfile, workspace: Workspace, known: frozenset[str] = frozenset()
) -> CutPhoto | None:
    """Cut one photo and write its archive; None where its digest is in `known`.

    Raises PhotoError, CameraError, or StoreError where the archive cannot be written.
    """
    opened = open_photo(path)
    if opened.digest in known:
        return None
    photo = plan_photo(opened, profile, workspace, path)
    picture = ground_picture(opened.image, photo.scale.gsd_mm_per_px, photo.grid, workspace.tile_px)
    pixels = cut_tiles(picture, workspace.tile_px)
    whole = photo_footprint(photo.width_px, photo.height_px, photo.scale.gsd_mm_per_px)
    tiles = []
    archive = tile_archive(workspace, photo.digest)
    try:
        with (
            whole_file(archive) as file,
            tarfile.open(fileobj=file, mode="w", format=tarfile.USTAR_FORMAT) as tar,
        ):
            for row in range(photo.grid.rows):
                for col in range(photo.grid.cols):
                    data = encode_tile(pixels[row, col])
                    member = tarfile.TarInfo(f"r{row:03d}c{col:03d}.jpg")
                    member.size = len(data)
                    offset = file.tell() + _TAR_HEADER_BYTES
                    tar.addfile(member, io.BytesIO(data))
                    footprint = cell_footprint(photo.grid, row, col)
                    tiles.append(
                        Tile(
                            photo_digest=photo.digest,
                            row=row,
                            col=col,
                            footprint=footprint,
                            gsd_mm_per_px=photo.scale.gsd_mm_per_px,
                            inside_share=inside_share(footprint, whole),
                            offset=offset,
                            length=len(data),
                        )
                    )
    except OSError as exc:
        fix = "make room on the disk, then run the same command again: it goes on"
        raise StoreError(
            f"cannot be written ({exc.strerror})", where=str(archive), fix=fix
        ) from exc
    return CutPhoto(photo, tuple(tiles))


def cut_photos(
    paths: Sequence[Path],
    profile: CameraProfile,
    workspace: Workspace,
    known: frozenset[str] = frozenset(),
    workers: int | None = None,
) -> Iterator[CutResult]:
    """Cut many photos on all cores, in order, one bad photo not stopping the rest."""
    workers = workers or len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else 1
    workers = max(1, min(workers, len(paths) // _LEAST_PHOTOS_PER_WORKER))
    cut = partial(_cut, profile=profile, workspace=workspace, known=known)
    if workers == 1:
        yield from map(cut, paths)
        return
    with _pool(workers) as pool:
        yield from pool.map(cut, paths)


def _pool(workers: int) -> Executor:
    # "spawn" is the one start method that is safe whatever threads the caller runs.
    return ProcessPoolExecutor(workers, mp_context=multiprocessing.get_context("spawn"))


def _cut(
    path: Path, profile: CameraProfile, workspace: Workspace, known: frozenset[str]
) -> CutResult:
    try:
        return CutResult(path, cut_photo(path, profile, workspace, known), None)
    except WeedsetError as error:
        return CutResult(path, None, error)


def read_tile(archive: Path, tile: Tile) -> bytes:
    """Return the JPEG of a tile. Raises StoreError where the archive is gone or shorter."""
    return read_tile_at(archive, tile.offset, tile.length)


def read_tile_at(archive: Path, offset: int, length: int) -> bytes:
    """Return the JPEG of `length` bytes at `offset`; see `read_tile`."""
    fix = "tile the photo again"
    try:
        with archive.open("rb") as file:
            data = os.pread(file.fileno(), length, offset)
    except OSError as exc:
        raise StoreError(f"cannot be read ({exc.strerror})", where=str(archive), fix=fix) from exc
    if len(data) < length:
        raise StoreError("is shorter than when it was written", where=str(archive), fix=fix)
    return data
