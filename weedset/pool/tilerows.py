"""What an edition says of each tile: one row, in the index and beside the picture."""

from __future__ import annotations

from dataclasses import dataclass

from weedset.contribution.layout import tile_place
from weedset.contribution.rows import GivenLabel
from weedset.digests import bytes_digest
from weedset.pool.contents import Contents

#: Columns of the index in their order, by the type of their values. A list is one of texts,
#: `dict` one of species with their growth stage (first digit of the BBCH code). The JPEG of a tile
#: is the `length` bytes at `offset` of its `shard`; all tiles of a photo lie in one.
COLUMNS: dict[str, type] = {
    "key": str,
    "split": str,
    "shard": str,
    "offset": int,
    "length": int,
    "contribution": str,
    "batch": str,
    "site": str,
    "photo": str,
    "row": int,
    "col": int,
    "taken_on": str,
    "giver": str,
    "rights_holder": str,
    "licence": str,
    "country": str,
    "ground": str,
    "camera": str,
    "gsd_mm_per_px": float,
    "cell_mm": float,
    "tile_px": int,
    "verdict": str,
    "present": list,
    "doubtful": list,
    "unknown_plant": bool,
    "stages": dict,
    "looked_for": list,
    "identified_by": str,
    "identified_on": str,
    "origin": str,
    "corrected": bool,
    "sha256": str,
}


@dataclass(frozen=True, slots=True)
class EditionTile:
    """A tile of an edition: its row (see COLUMNS), but for its place in a shard, and its JPEG."""

    row: dict[str, object]
    picture: bytes


def edition_tile(contents: Contents, label: GivenLabel) -> EditionTile:
    """Return a tile of a contribution as an edition has it."""
    whole, item, said = contents.whole, contents.item, label.statement
    photo_key, at_row, at_col = tile_place(label.picture)
    photo, picture = contents.photos[photo_key], contents.picture(label.picture)
    row: dict[str, object] = {
        "key": f"{item.digest[:16]}_{label.picture.replace('/', '_')}",
        "split": item.split,
        "contribution": item.digest,
        "batch": item.batch,
        "site": item.site,
        "photo": photo.digest,
        "row": at_row,
        "col": at_col,
        "taken_on": whole.taken_on,
        "giver": item.giver,
        "rights_holder": item.rights_holder,
        "licence": item.licence,
        "country": whole.giving.place.country_code,
        "ground": whole.giving.ground,
        "camera": photo.camera,
        "gsd_mm_per_px": photo.scale.gsd_mm_per_px,
        "cell_mm": whole.cell_mm,
        "tile_px": whole.tile_px,
        "verdict": str(said.verdict),
        "present": sorted(said.present),
        "doubtful": sorted(said.doubtful),
        "unknown_plant": said.unknown_plant,
        "stages": [{"species": code, "stage": stage} for code, stage in said.stages],
        "looked_for": list(whole.looked_for),
        "identified_by": said.annotator,
        "identified_on": label.made_on,
        "origin": str(said.origin),
        "corrected": label.picture in item.corrections,
        "sha256": bytes_digest(picture),
    }
    return EditionTile(row, picture)
