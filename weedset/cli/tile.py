"""The verb that cuts photos into tiles, and cuts them again."""

from __future__ import annotations

import shlex
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Never

import typer

from weedset.cli.door import JsonOption, WorkspaceOption, emit
from weedset.cli.options import ClusterOption, day_of, licence_of, require_site
from weedset.cli.tile_told import Complaints, count_cut, tell_end, tell_unread
from weedset.errors import CameraError, PhotoError, WeedsetError
from weedset.hands import cluster_executor
from weedset.labelstore import only_one_labels
from weedset.photofiles import find_photos
from weedset.profile import read_camera_profile
from weedset.records import Batch, CameraProfile, Photo
from weedset.recutting import (
    Change,
    Planned,
    RecutStore,
    open_recut_store,
    plan_again,
    require_unlabelled,
)
from weedset.settings import Workspace, open_workspace, tile_archive
from weedset.talk import follow
from weedset.tiling import CutPhoto, cut_photos
from weedset.view import tilt_deg


def tile(
    photos: Annotated[list[Path], typer.Argument(help="Photos, or folders of photos.")],
    site: Annotated[
        str, typer.Option(help="The garden or field; any name that is always the same.")
    ],
    camera: Annotated[
        Path | None,
        typer.Option(
            help="The camera profile (TOML). Needed: without it you are told how to come by one."
        ),
    ] = None,
    workspace: WorkspaceOption = Path(),
    on: Annotated[str | None, typer.Option(help="Date taken, where the photos do not say.")] = None,
    giver: Annotated[str, typer.Option(help="Who gives the photos; a handle will do.")] = "",
    licence: Annotated[str, typer.Option(help="SPDX id of their licence, such as CC-BY-4.0.")] = "",
    again: Annotated[
        bool,
        typer.Option(
            "--again",
            help="Cut photos that are there already anew: under a corrected profile, or for "
            "another site. Photos with labels only where their cells stay the same ground.",
        ),
    ] = False,
    workers: Annotated[
        int | None, typer.Option(min=1, help="Processes; all cores if not set.")
    ] = None,
    cluster: ClusterOption = "",
    as_json: JsonOption = False,
) -> None:
    """Cut ground photos into tiles of equal ground cells.

    The photos of one site on one day are a batch. A photo that is there already is
    skipped, so a stopped run goes on where it was. One bad photo does not stop the rest.

    Example: `weedset tile photos/ --camera cart.toml --site long-acre -w garden`

    Example: `weedset tile IMG_1.jpg IMG_2.jpg --camera cart.toml --site long-acre --on 2026-05-04`

    Example: `weedset tile photos/ --camera mended.toml --site long-acre -w garden --again`
    """
    room = open_workspace(workspace)
    profile = read_camera_profile(camera) if camera else _no_profile(photos)
    paths = find_photos(photos)
    stated = _Stated(
        site, day_of(on) if on else None, giver, licence_of(licence) if licence else ""
    )
    counts: Counter[str] = Counter()
    dropped: Counter[str] = Counter()
    bad = Complaints()
    with _store(room, alone=again) as store, cluster_executor(cluster) as executor:
        require_site(site, store.batches())
        replaced: frozenset[str] = frozenset()
        if again:
            paths, replaced = _to_cut_again(paths, profile, room, store, stated, counts, bad)
        known = store.digests() - replaced
        done: set[str] = set()
        results = cut_photos(paths, profile, room, known, workers, replaced, executor)
        for result in follow(results, len(paths), "tiling"):
            cut, error = result.cut, result.error
            if cut is not None and cut.photo.digest in done:
                cut = None  # the same photo under a second name
            if cut is not None:
                error = _take_in(cut, room, store, stated, replaced)
            if error is not None:
                bad.add(error)
            elif cut is None:
                counts["known"] += 1
            else:
                done.add(cut.photo.digest)
                dropped.update(dict(cut.photo.dropped))
                count_cut(counts, cut, profile, room.tile_px)
                if as_json:
                    emit(_photo_record(cut))
    bad.tell_rest()
    tell_unread(photos)
    tell_end(counts, bad.count, dropped, profile, again=again)
    if bad.count:
        raise typer.Exit(1)


def _no_profile(photos: list[Path]) -> Never:
    explain = f"weedset camera explain {shlex.quote(str(find_photos(photos)[0]))}"
    raise CameraError(
        "no camera profile was given, and a scale is never guessed",
        where="--camera",
        fix=f"see what a photo tells: `{explain}`; its last lines say how to make a profile",
    )


@contextmanager
def _store(room: Workspace, *, alone: bool) -> Iterator[RecutStore]:
    """Open the store; `alone` keeps the labelling page out, which remembers tiles."""
    if alone:
        with only_one_labels(room), open_recut_store(room) as store:
            yield store
    else:
        with open_recut_store(room) as store:
            yield store


@dataclass(frozen=True, slots=True)
class _Stated:
    """What was said of all photos of a run."""

    site: str
    taken_on: str | None
    giver: str
    licence: str

    def batch_of(self, photo: Photo) -> Batch:
        """Return the batch of a photo. Raises PhotoError where its day is not known."""
        seen = (photo.taken_at or "")[:10]
        if self.taken_on and seen and seen != self.taken_on:
            raise PhotoError(
                f"says that it was taken on {seen}, but --on says {self.taken_on}",
                where=photo.name,
                fix="leave --on out, or set the photo's own date right",
            )
        day = self.taken_on or seen
        if not day:
            raise PhotoError(
                "does not say on which day it was taken",
                where=photo.name,
                fix="say it: --on 2026-05-04",
            )
        return Batch(f"{self.site} {day}", self.site, day, self.giver, self.licence, ())


def _to_cut_again(
    paths: list[Path],
    profile: CameraProfile,
    room: Workspace,
    store: RecutStore,
    stated: _Stated,
    counts: Counter[str],
    bad: Complaints,
) -> tuple[list[Path], frozenset[str]]:
    """Return the photos that are left to cut, and the digests of those that are there already.

    Those whose tiles can stay are described anew.
    """
    planned = _plan(paths, profile, room, store, stated, counts, bad)
    _describe_anew(planned, store, stated, counts, bad)
    left = [item for item in planned if item.photo is None]
    there = frozenset(item.digest for item in left if item.change is not Change.NEW)
    return [item.path for item in left], there


def _plan(
    paths: list[Path],
    profile: CameraProfile,
    room: Workspace,
    store: RecutStore,
    stated: _Stated,
    counts: Counter[str],
    bad: Complaints,
) -> list[Planned]:
    """Return the photos that cutting again would change, and those that are new.

    Raises StoreError, before anything is changed, where labels would shift.
    """
    planned = []
    every = plan_again(paths, profile, room, store, stated.batch_of)
    for item in follow(every, len(paths), "planning"):
        if isinstance(item, WeedsetError):
            bad.add(item)
        elif item.change is Change.NONE:
            counts["known"] += 1
        else:
            planned.append(item)
    require_unlabelled(planned)
    return planned


def _describe_anew(
    planned: list[Planned],
    store: RecutStore,
    stated: _Stated,
    counts: Counter[str],
    bad: Complaints,
) -> None:
    """Change what is known of photos whose tiles can stay as they are."""
    for item in planned:
        if item.photo is not None:
            try:
                store.replace_photo(stated.batch_of(item.photo), item.photo, item.tiles)
                counts["described"] += 1
            except WeedsetError as error:
                bad.add(error)


def _take_in(
    cut: CutPhoto, room: Workspace, store: RecutStore, stated: _Stated, replaced: frozenset[str]
) -> WeedsetError | None:
    """Put a photo into the store; returns why that cannot be, and then leaves no archive."""
    digest = cut.photo.digest
    try:
        batch = stated.batch_of(cut.photo)
        if digest in replaced:
            store.replace_photo(batch, cut.photo, cut.tiles)
        else:
            store.add_photo(batch, cut.photo, cut.tiles)
    except WeedsetError as error:
        if digest not in replaced:
            tile_archive(room, digest).unlink(missing_ok=True)
        return error
    return None


def _photo_record(cut: CutPhoto) -> dict[str, object]:
    photo = cut.photo
    return {
        "photo": photo.name,
        "digest": photo.digest,
        "gsd_mm_per_px": round(photo.scale.gsd_mm_per_px, 6),
        "scale_source": photo.scale.source,
        "scale_from_exif": photo.scale.from_exif,
        "tilt_deg": round(tilt_deg(photo.view), 3),
        "worst_gsd_mm_per_px": round(max(tile.gsd_mm_per_px for tile in cut.tiles), 6),
        "dropped": dict(photo.dropped),
        "rows": photo.grid.rows,
        "cols": photo.grid.cols,
        "tiles": len(cut.tiles),
    }
