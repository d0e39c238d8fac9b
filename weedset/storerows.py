"""How records lie in the rows of the store: the columns to ask for, and both ways between."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import astuple, replace
from typing import Any

from weedset.errors import StoreError
from weedset.fields import parse_json
from weedset.profile import profile_from_json, profile_to_json
from weedset.records import (
    CellLimits,
    Footprint,
    GroundGrid,
    Opinion,
    Origin,
    Photo,
    Quality,
    Scale,
    ScaleSource,
    Statement,
    Tile,
    Verdict,
)
from weedset.view import read_view, view_record

#: The verdict by which an annotator takes back what they said before.
WITHDRAWN = "withdrawn"

PHOTOS = """SELECT digest, name, path, width_px, height_px, taken_at, camera, gsd_mm_per_px,
    scale_source, scale_from_exif, scale_uncertainty_mm_per_px, cell_mm, grid_rows, grid_cols,
    x_min_mm, y_min_mm, tile_px, edge, profile, view,
    worst_gsd_mm_per_px, most_oblique_deg, dropped, sharpness, brightness, overexposed,
    underexposed, shadow, glare, vegetation FROM photo"""

TILE = """photo_digest, grid_row, grid_col, tile.x_min_mm, tile.y_min_mm, x_max_mm, y_max_mm,
    tile.gsd_mm_per_px, inside_share, byte_offset, byte_length, oblique_deg, relief_scale_error,
    position_uncertainty_mm, tile.sharpness, tile.brightness, tile.overexposed,
    tile.underexposed, tile.shadow, tile.glare, tile.vegetation"""

TILES_WITH_STATEMENTS = f"""SELECT tile.id, photo.name, batch_id, site, taken_at,
    {TILE}
    FROM tile
    JOIN photo ON photo.digest = photo_digest
    JOIN batch ON batch.id = batch_id
    WHERE tile.id IN (SELECT tile_id FROM statement)"""

IN_ORDER = "ORDER BY batch_id, photo.name, photo_digest, grid_row, grid_col"

HISTORIES = """SELECT tile_id, statement.id AS id, annotator, origin, made_at, verdict,
    unknown_plant, species, doubtful, stage
    FROM statement LEFT JOIN statement_species ON statement_id = statement.id"""


def photo_from(row: tuple[Any, ...]) -> Photo:
    """Return the photo of a row of PHOTOS."""
    digest, name, path, width_px, height_px, taken_at, camera = row[:7]
    return Photo(
        digest=digest,
        name=name,
        path=path,
        width_px=width_px,
        height_px=height_px,
        taken_at=taken_at,
        camera=camera,
        scale=Scale(row[7], ScaleSource(row[8]), bool(row[9]), row[10]),
        grid=GroundGrid(*row[11:16]),
        tile_px=row[16],
        edge=row[17],
        profile=profile_from_json(row[18], f"photo {digest[:12]}: profile"),
        view=read_view(parse_json(row[19], f"photo {digest[:12]}: view", StoreError)),
        limits=CellLimits(row[20], row[21]),
        dropped=tuple((reason, count) for reason, count in json.loads(row[22])),
        quality=_quality(row[23:30]),
    )


def photo_row(batch_id: str, photo: Photo) -> tuple[object, ...]:
    """Return a photo as a row of the table photo."""
    return (
        photo.digest, batch_id, photo.name, photo.path, photo.width_px, photo.height_px,
        photo.taken_at, photo.camera, photo.scale.gsd_mm_per_px, photo.scale.source,
        photo.scale.from_exif, photo.scale.uncertainty_mm_per_px, photo.grid.cell_mm,
        photo.grid.rows, photo.grid.cols, photo.grid.x_min_mm, photo.grid.y_min_mm,
        photo.tile_px, photo.edge, profile_to_json(photo.profile),
        json.dumps(view_record(photo.view)), photo.limits.worst_gsd_mm_per_px,
        photo.limits.most_oblique_deg, json.dumps(photo.dropped), *_quality_row(photo.quality),
    )  # fmt: skip


def tile_row(number: int | None, tile: Tile) -> tuple[object, ...]:
    """Return a tile as a row of the table tile; where it has no number yet, it gets a new one."""
    return (
        number, tile.photo_digest, tile.row, tile.col, tile.footprint.x_min_mm,
        tile.footprint.y_min_mm, tile.footprint.x_max_mm, tile.footprint.y_max_mm,
        tile.gsd_mm_per_px, tile.inside_share, tile.offset, tile.length, tile.oblique_deg,
        tile.relief_scale_error, tile.position_uncertainty_mm, *_quality_row(tile.quality),
    )  # fmt: skip


def _quality_row(quality: Quality | None) -> tuple[float | None, ...]:
    return (None,) * 7 if quality is None else astuple(quality)


def _quality(row: tuple[Any, ...]) -> Quality | None:
    return None if row[0] is None else Quality(*row)


def tile_from(row: tuple[Any, ...]) -> Tile:
    """Return the tile of a row of the columns TILE."""
    digest, grid_row, grid_col = row[:3]
    tile = Tile(digest, grid_row, grid_col, Footprint(*row[3:7]), *row[7:14])
    return replace(tile, quality=_quality(row[14:21]))


def opinion_from(opinion_id: int, rows: Sequence[tuple[Any, ...]]) -> Opinion:
    """Return an opinion from its rows of HISTORIES, one per species."""
    annotator, origin, made_at, verdict, unknown_plant = rows[0][2:7]
    species = [row[7:10] for row in rows if row[7] is not None]
    said = verdict != WITHDRAWN
    return Opinion(
        id=opinion_id,
        annotator=annotator,
        origin=Origin(origin),
        made_at=made_at,
        statement=statement_from((annotator, origin, verdict, unknown_plant), species)
        if said
        else None,
    )


def statement_from(
    row: tuple[Any, ...], species: Sequence[tuple[str, int, int | None]]
) -> Statement:
    """Return a statement; `species` are (code, doubtful, stage)."""
    annotator, origin, verdict, unknown_plant = row
    return Statement(
        annotator=annotator,
        origin=Origin(origin),
        verdict=Verdict(verdict),
        unknown_plant=bool(unknown_plant),
        present=frozenset(code for code, doubtful, _ in species if not doubtful),
        doubtful=frozenset(code for code, doubtful, _ in species if doubtful),
        stages=tuple(sorted((code, stage) for code, _, stage in species if stage is not None)),
    )
