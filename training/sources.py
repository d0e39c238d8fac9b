"""Where labelled tiles come from: somebody's workspace, or a frozen edition of a pool."""

from __future__ import annotations

import json
from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence
from dataclasses import astuple, dataclass, field
from functools import partial
from itertools import chain, repeat
from pathlib import Path
from typing import Any, TypeVar

from weedset.digests import blocks_digest
from weedset.errors import TrainingError
from weedset.pool.frozen import open_edition
from weedset.records import (
    Batch,
    Footprint,
    LabelledTile,
    Origin,
    Statement,
    Tile,
    Verdict,
)
from weedset.settings import Workspace, tile_archive
from weedset.splits import Split, split_tiles
from weedset.store import open_store

_Value = TypeVar("_Value", bound=Hashable)

_NOTHING_SAID = Statement("", Origin.PAGE, Verdict.CANNOT_TELL)


@dataclass(frozen=True, slots=True)
class Source:
    """Labelled tiles with what is known of their origin.

    `where` is the folder and `name` what a model's card calls it. `digest` changes with any
    tile or label that a model learns from. `archive_of` tells the file in which a tile lies; it
    can be sent to another process. `split` is that of an edition, None where it is still to be
    chosen. `cameras` names the camera of each photo, by digest. `workspace` is the one whose
    photos can be looked at anew; an edition has none. `find_unlabelled` finds the tiles that
    nobody has labelled, as tiles of which the label cannot tell anything.
    """

    where: Path
    name: str
    digest: str
    cell_mm: float
    tiles: tuple[LabelledTile, ...]
    batches: tuple[Batch, ...]
    archive_of: Callable[[LabelledTile], Path]
    split: Split | None = None
    cameras: Mapping[str, str] = field(default_factory=dict)
    workspace: Workspace | None = None
    find_unlabelled: Callable[[], list[LabelledTile]] = list


def from_workspace(workspace: Workspace) -> Source:
    """Return what is labelled in a workspace. Raises what reading the store raises."""
    with open_store(workspace) as store:
        tiles, batches = store.labelled_tiles(), store.batches()
        cameras = {photo.digest: photo.camera for photo in store.photos()}
    return Source(
        where=workspace.root,
        name=f"workspace {workspace.root.resolve().name}",
        digest=labels_digest(tiles),
        cell_mm=workspace.cell_mm,
        tiles=tuple(tiles),
        batches=tuple(batches),
        archive_of=partial(_archive_in, workspace),
        cameras=cameras,
        workspace=workspace,
        find_unlabelled=partial(_unlabelled_in, workspace),
    )


def from_edition(folder: Path) -> Source:
    """Return what an edition holds, split as it was frozen.

    A batch there is a contribution, and goes by its digest. Footprints count from the outer
    corner of the photo's cell (0, 0): where that lay under the lens is not part of an edition.

    Raises PoolError where it is no edition or not as it was frozen, TrainingError where it
    holds no tile or cells of several sizes, MissingPartError where the pool part is not installed.
    """
    frozen, known = open_edition(folder), _Known()
    tiles: list[LabelledTile] = []
    parts: dict[str, list[LabelledTile]] = {"train": [], "validation": [], "test": []}
    batches: dict[str, Batch] = {}
    shards: dict[tuple[str, str], Path] = {}
    cameras: dict[str, str] = {}
    sizes = set()
    for row in frozen.rows():
        tile = _labelled(row, known)
        tiles.append(tile)
        parts[row["split"]].append(tile)
        place = tile.batch_id, tile.tile.photo_digest
        if place not in shards:
            shards[place] = folder / row["shard"]
        cameras[tile.tile.photo_digest] = known(row["camera"])
        sizes.add(row["cell_mm"])
        if tile.batch_id not in batches:
            batches[tile.batch_id] = _batch(row)
    if len(sizes) > 1:
        raise TrainingError(
            f"holds cells of {' and '.join(f'{size:g}' for size in sorted(sizes))} mm; a model "
            "takes one size",
            where=str(folder),
            fix="accept contributions of one cell size into a pool",
        )
    if not sizes:
        raise TrainingError("holds no tile", where=str(folder), fix="take the edition again")
    learn, tune, judge = (tuple(part) for part in parts.values())
    return Source(
        where=folder,
        name=frozen.name,
        digest=frozen.digest,
        cell_mm=sizes.pop(),
        tiles=tuple(tiles),
        batches=tuple(batches.values()),
        archive_of=partial(_shard_of, shards),
        split=Split(learn, tune, judge, "site"),
        cameras=cameras,
    )


def labels_digest(tiles: Sequence[LabelledTile]) -> str:
    """Return the SHA-256 over all that a model learns from labelled tiles, in any order.

    Which cells of which photos, how they were cut, with which labels, on which site: what is
    held out goes by the site, and a photo may be cut again or moved to another one. Not in it
    are growth stages and who labelled, from which no model learns.
    """
    lines = sorted(_label_line(tile) for tile in tiles)
    between = chain([""], repeat("\n"))
    return blocks_digest((end + line).encode() for end, line in zip(between, lines, strict=False))


def split_of(source: Source, held_out: Sequence[str]) -> Split:
    """Return which labelled tiles of a source to learn from, tune on and judge by.

    Tiles of which the label cannot tell are in no part.

    Raises TrainingError where labels do not suffice, an edition has no sites to learn from or
    to tune on, or is told what to hold out.
    """
    if source.split is not None:
        if held_out:
            fix = "leave --held-out away, or train on a workspace"
            raise TrainingError("has a split that stays put", where=source.name, fix=fix)
        learn, tune, judge = (_telling(part) for part in source.split.parts)
        for part, purpose in ((learn, "learn from"), (tune, "choose thresholds on")):
            if not part:
                raise TrainingError(
                    f"has no labelled tiles to {purpose}",
                    where=source.name,
                    fix="accept contributions of at least three sites into the pool, freeze a new "
                    "edition, and train on that; or train on a workspace",
                )
        return Split(learn, tune, judge, source.split.unit)
    tiles = _telling(source.tiles)
    if not tiles:
        fix = "label some tiles first: `weedset label`, or `weedset import` for masks and tables"
        raise TrainingError("has no labels to learn from", where=str(source.where), fix=fix)
    return split_tiles(tiles, held_out)


def _telling(tiles: Sequence[LabelledTile]) -> tuple[LabelledTile, ...]:
    return tuple(tile for tile in tiles if tile.statement.verdict is not Verdict.CANNOT_TELL)


def batches_of(source: Source, tiles: Iterable[LabelledTile]) -> list[Batch]:
    """Return the batches of a source to which any of the tiles belong."""
    ids = {labelled.batch_id for labelled in tiles}
    return [batch for batch in source.batches if batch.id in ids]


def licences_of(batches: Iterable[Batch]) -> set[str]:
    """Return the licences of batches; SPDX's word for none stands for one that nobody stated."""
    return {batch.licence or "NOASSERTION" for batch in batches}


def held_out_of(split: Split) -> tuple[str, ...]:
    """Return what a model's card says was held out: sites, or photos by digest."""
    return sites_of(split.test) if split.unit == "site" else photos_of(split.test)


def photos_of(tiles: Iterable[LabelledTile]) -> tuple[str, ...]:
    """Return the digests of the photos of tiles, in order."""
    return tuple(sorted({labelled.tile.photo_digest for labelled in tiles}))


def sites_of(tiles: Iterable[LabelledTile]) -> tuple[str, ...]:
    """Return the sites of tiles, in order."""
    return tuple(sorted({labelled.site for labelled in tiles}))


def _unlabelled_in(workspace: Workspace) -> list[LabelledTile]:
    with open_store(workspace) as store:
        labelled = {_place(item.tile) for item in store.labelled_tiles()}
        batches = {batch.id: batch for batch in store.batches()}
        batch_of = store.photos_of_batches()
        return [
            LabelledTile(
                tile=tile,
                photo_name=photo.name,
                batch_id=batch_of[photo.digest],
                site=batches[batch_of[photo.digest]].site,
                taken_at=photo.taken_at,
                looked_for=frozenset(),
                statement=_NOTHING_SAID,
            )
            for photo in store.photos()
            for tile in store.tiles(photo.digest)
            if _place(tile) not in labelled
        ]


def _place(tile: Tile) -> tuple[str, int, int]:
    return tile.photo_digest, tile.row, tile.col


def _archive_in(workspace: Workspace, labelled: LabelledTile) -> Path:
    return tile_archive(workspace, labelled.tile.photo_digest)


def _shard_of(shards: Mapping[tuple[str, str], Path], labelled: LabelledTile) -> Path:
    return shards[labelled.batch_id, labelled.tile.photo_digest]


class _Known:
    """Gives back the first of all values that are equal: a million tiles say little that is new."""

    def __init__(self) -> None:
        self._first: dict[Hashable, Any] = {}

    def __call__(self, value: _Value) -> _Value:
        # Equal values of different types, such as 1 and 1.0, are not the same.
        first: _Value = self._first.setdefault((type(value), value), value)
        return first


def _labelled(row: Mapping[str, Any], known: _Known) -> LabelledTile:
    side, at_row, at_col = row["cell_mm"], row["row"], row["col"]
    x_mm, y_mm = at_col * side, at_row * side
    tile = Tile(
        photo_digest=known(row["photo"]),
        row=known(at_row),
        col=known(at_col),
        footprint=known(Footprint(x_mm, y_mm, x_mm + side, y_mm + side)),
        gsd_mm_per_px=known(row["gsd_mm_per_px"]),
        inside_share=1.0,
        offset=row["offset"],
        length=row["length"],
    )
    statement = Statement(
        annotator=row["identified_by"],
        origin=Origin(row["origin"]),
        verdict=Verdict(row["verdict"]),
        present=frozenset(row["present"]),
        doubtful=frozenset(row["doubtful"]),
        unknown_plant=row["unknown_plant"],
        stages=tuple(sorted((item["species"], item["stage"]) for item in row["stages"])),
    )
    return LabelledTile(
        tile=tile,
        photo_name=known(row["key"].rsplit("_", 1)[0]),
        batch_id=known(row["contribution"]),
        site=known(row["site"]),
        taken_at=known(row["taken_on"]),
        looked_for=known(frozenset(row["looked_for"])),
        statement=known(statement),
    )


def _batch(row: Mapping[str, Any]) -> Batch:
    return Batch(
        id=row["contribution"],
        site=row["site"],
        taken_on=row["taken_on"],
        giver=row["giver"],
        licence=row["licence"],
        looked_for=tuple(row["looked_for"]),
    )


def _label_line(labelled: LabelledTile) -> str:
    tile, statement = labelled.tile, labelled.statement
    return json.dumps(
        [
            labelled.site,
            tile.photo_digest,
            tile.row,
            tile.col,
            astuple(tile.footprint),
            tile.gsd_mm_per_px,
            statement.verdict,
            sorted(statement.present),
            sorted(statement.doubtful),
            statement.unknown_plant,
            sorted(labelled.looked_for),
        ]
    )
