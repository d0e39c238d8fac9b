"""Cutting photos into equal ground cells, one archive of tiles per photo."""

from __future__ import annotations

import contextlib
import ctypes
import math
import multiprocessing
from collections.abc import Iterator, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, fields, replace
from functools import cache
from pathlib import Path

import cv2
import numpy as np

from weedset.cells import CellsInView, cells_in_view, cells_of_photo, share_needed
from weedset.errors import StoreError, WeedsetError
from weedset.geometry import cell_footprint
from weedset.hands import in_order
from weedset.images import OpenedPhoto, encode_tile, open_photo_unless
from weedset.lens import Floats
from weedset.preprocess import cut_tiles, ground_picture
from weedset.quality import measure
from weedset.records import CameraProfile, ExifFacts, Photo, Quality, Tile
from weedset.remap import remapped
from weedset.scale import exif_focal_share, photo_scale, photo_view
from weedset.settings import Workspace, tile_archive
from weedset.tilearchive import Span, archive_members, write_archive
from weedset.uncertainty import position_uncertainty_mm, relief_scale_error


@dataclass(frozen=True, slots=True)
class CutPhoto:
    """A photo with its tiles, as they now lie in its archive.

    `exif_focal_share` is as `scale.exif_focal_share` tells it.
    """

    photo: Photo
    tiles: tuple[Tile, ...]
    exif_focal_share: float | None = None


@dataclass(frozen=True, slots=True)
class CutResult:
    """What became of one photo: tiles, an error, or neither where it was known already."""

    path: Path
    cut: CutPhoto | None
    error: WeedsetError | None


def plan_photo(
    opened: OpenedPhoto, profile: CameraProfile, workspace: Workspace, path: Path
) -> tuple[Photo, CellsInView]:
    """Return the record of a photo as it would be cut, and its cells.

    Raises CameraError where its scale cannot be known, PhotoError where no cell fits.
    """
    asked = (profile, opened.exif, opened.width_px, opened.height_px, str(path))
    view = photo_view(*asked)
    cells = cells_in_view(view, workspace.cell_mm, workspace.edge, workspace.limits, str(path))
    photo = Photo(
        digest=opened.digest,
        name=path.name,
        path=str(path.resolve()),
        width_px=opened.width_px,
        height_px=opened.height_px,
        taken_at=opened.exif.taken_at,
        camera=profile.name,
        scale=photo_scale(*asked),
        grid=cells.grid,
        tile_px=workspace.tile_px,
        edge=workspace.edge,
        profile=profile,
        view=view,
        limits=workspace.limits,
        dropped=cells.dropped,
    )
    return photo, cells


def cut_photo(
    path: Path,
    profile: CameraProfile,
    workspace: Workspace,
    known: frozenset[str] = frozenset(),
    again: frozenset[str] = frozenset(),
) -> CutPhoto | None:
    """Cut one photo and write its archive; None where its digest is in `known`.

    Where it is in `again`, the tiles are put behind those of its archive, so that these
    can still be read until the store speaks of the new ones.

    Raises PhotoError, CameraError, or StoreError where the archive cannot be written.
    """
    parcel = _cut_to_parcel(path, _Job(profile, workspace, known, again))
    return None if parcel is None else _unpacked(parcel)


@dataclass(frozen=True, slots=True, eq=False)
class _Parcel:
    """A cut photo as it travels between processes: what can be told from it stays behind.

    Hundreds of small records take as long to send as a photo takes to cut.
    """

    photo: Photo
    spans: list[Span]
    qualities: Floats
    exif_focal_share: float | None = None


def _unpacked(parcel: _Parcel) -> CutPhoto:
    return CutPhoto(parcel.photo, tuple(_describe(parcel)), parcel.exif_focal_share)


def _cut_to_parcel(path: Path, job: _Job) -> _Parcel | None:
    profile, workspace = job.profile, job.workspace

    def share(width_px: int, height_px: int, exif: ExifFacts) -> float:
        view = photo_view(profile, exif, width_px, height_px, str(path))
        cells = cells_in_view(view, workspace.cell_mm, workspace.edge, workspace.limits, str(path))
        return share_needed(cells, workspace.tile_px)

    opened = open_photo_unless(path, job.known, least_share=share)
    if opened is None:
        return None
    photo, cells = plan_photo(opened, profile, workspace, path)
    picture = ground_picture(opened.image, cells, workspace.tile_px, remapped)
    pixels = cut_tiles(picture, workspace.tile_px)
    qualities, whole = measure(picture, cells.kept, workspace.tile_px)
    archive = tile_archive(workspace, photo.digest)
    try:
        before = archive_members(archive) if photo.digest in job.again else b""
        tiles = ((place, encode_tile(pixels[place])) for place in cells.places())
        spans = write_archive(archive, tiles, before)
    except OSError as exc:
        fix = "make room on the disk, then run the same command again: it goes on"
        raise StoreError(
            f"cannot be written ({exc.strerror})", where=str(archive), fix=fix
        ) from exc
    told = exif_focal_share(photo.view, opened.exif)
    return _Parcel(replace(photo, quality=whole), spans, qualities, told)


def _describe(parcel: _Parcel) -> Iterator[Tile]:
    photo, spans, cells = parcel.photo, parcel.spans, cells_of_photo(parcel.photo)
    off_mm = position_uncertainty_mm(cells, photo.profile, photo.scale)
    relief = relief_scale_error(photo.profile)
    # One conversion for all cells: numpy hands out single numbers slowly.
    gsd, inside, oblique, off = (
        array[cells.kept].tolist()
        for array in (cells.gsd_mm_per_px, cells.inside_share, cells.oblique_deg, off_mm)
    )
    qualities = parcel.qualities.tolist()
    for index, (row, col) in enumerate(cells.places()):
        yield Tile(
            photo_digest=photo.digest,
            row=row,
            col=col,
            footprint=cell_footprint(photo.grid, row, col),
            gsd_mm_per_px=gsd[index],
            inside_share=inside[index],
            offset=spans[index][0],
            length=spans[index][1],
            oblique_deg=_known(oblique[index]),
            relief_scale_error=relief,
            position_uncertainty_mm=_known(off[index]),
            quality=Quality(*qualities[index]),
        )


def describe_anew(photo: Photo, tiles: Sequence[Tile]) -> tuple[Tile, ...]:
    """Return tiles of the same ground, row by row, with what follows from the profile now.

    Where they lie and what their pixels look like stays.
    """
    spans = [(tile.offset, tile.length) for tile in tiles]
    described = _describe(_Parcel(photo, spans, np.zeros((len(tiles), len(fields(Quality))))))
    return tuple(
        replace(new, quality=old.quality) for new, old in zip(described, tiles, strict=True)
    )


def _known(value: float) -> float | None:
    return None if math.isnan(value) else value


def cut_photos(
    paths: Sequence[Path],
    profile: CameraProfile,
    workspace: Workspace,
    known: frozenset[str] = frozenset(),
    workers: int | None = None,
    again: frozenset[str] = frozenset(),
    executor: Executor | None = None,
) -> Iterator[CutResult]:
    """Cut many photos on all cores, in order, one bad photo not stopping the rest.

    See `cut_photo` for those that are `known` and those to cut `again`; `workers` and
    `executor` are as for `weedset.hands.in_order`, and raise what that raises.
    """
    job = _Job(profile, workspace, known, again)
    for sent in in_order(_cut, job, paths, workers, executor):
        yield _opened(sent)


#: What a process sends back: the path, a parcel, or an error, or neither.
_Sent = tuple[Path, _Parcel | None, WeedsetError | None]


def _opened(sent: _Sent) -> CutResult:
    path, parcel, error = sent
    return CutResult(path, None if parcel is None else _unpacked(parcel), error)


@dataclass(frozen=True, slots=True)
class _Job:
    """What is the same for all photos of a run: sent to each process once, not once a photo."""

    profile: CameraProfile
    workspace: Workspace
    known: frozenset[str]
    again: frozenset[str] = frozenset()


@cache
def _settle_in() -> None:
    """Do once what a process needs that others started to cut photos."""
    if multiprocessing.parent_process() is not None:
        cv2.setNumThreads(1)  # the processes share the cores already
        _keep_memory()


def _keep_memory() -> None:
    """Let glibc keep the large blocks of one photo for the next.

    Handing them back to the system and fetching them again took a quarter of the time.
    """
    # Another C library has no such settings, and does as it likes.
    with contextlib.suppress(OSError, AttributeError, TypeError):
        mallopt = ctypes.CDLL(None).mallopt
        mallopt(_M_MMAP_THRESHOLD, 2**30)
        mallopt(_M_TRIM_THRESHOLD, 2**31 - 1)


#: Names of settings in glibc's malloc.h.
_M_TRIM_THRESHOLD, _M_MMAP_THRESHOLD = -1, -3


def _cut(job: _Job, path: Path) -> _Sent:
    _settle_in()
    try:
        return path, _cut_to_parcel(path, job), None
    except WeedsetError as error:
        return path, None, error
