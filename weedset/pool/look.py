"""A workspace made of a contribution, so that its labels can be looked at on the page."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from pathlib import Path

from weedset.contribution.layout import tile_place
from weedset.contribution.rows import GivenLabel
from weedset.digests import whole_folder, write_whole
from weedset.errors import PoolError
from weedset.fields import parse_json, read_text
from weedset.geometry import cell_footprint
from weedset.looksheets import Shown, shown, shown_tiles, write_sheets
from weedset.pool.contents import Contents, opened
from weedset.pool.journal import read_journal
from weedset.pool.layout import Pool, written_in_vain
from weedset.pool.standing import Standing, one_of, standings
from weedset.records import Batch, Origin, Photo, Statement, Tile
from weedset.settings import Workspace, create_workspace, open_workspace, tile_archive
from weedset.store import TileKey, open_store
from weedset.taxonomy import Species, is_local_code
from weedset.tilearchive import write_archive

#: The plants of the contribution that have a code of their own, where there are any.
OWN_SPECIES = "species.csv"

#: Which contribution a workspace shows.
_SHOWN = "look.json"
_SHEET = "sheet"


@dataclass(frozen=True, slots=True)
class Looked:
    """What a workspace shows: the pool, where it lay then, and the contribution's SHA-256."""

    pool: Path
    digest: str


def shown_in(workspace: Path) -> Looked | None:
    """Return which contribution of a pool a workspace shows, None where it is somebody's own.

    Raises PoolError where the file that says so is damaged.
    """
    path = workspace / _SHOWN
    if not path.is_file():
        return None
    fields = parse_json(read_text(path, PoolError), str(path), PoolError)
    return Looked(Path(fields.text("pool")), fields.text("contribution"))


def sheets_in(folder: Path) -> list[Path]:
    """Return the sheets of pictures that `look_into` left in a workspace."""
    return sorted(folder.glob(f"{_SHEET}-*.jpg"))


def look_into(pool: Pool, name: str, folder: Path) -> tuple[Workspace, Standing]:
    """Make a workspace of the labelled tiles of a contribution, with what stands for each.

    Beside it, see `sheets_in`, lie sheets of all pictures of the contribution: of its whole
    photos and of those of unknown scale too.

    It comes about aside and takes its name once it is whole. Corrections made before are there
    as reviews, above what was given.

    Raises PoolError where other things lie at `folder`, or the archive cannot be used.
    """
    item = one_of(standings(read_journal(pool)), name)
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        fix = "name a new folder; one that you have looked into opens with `weedset label`"
        raise PoolError("holds other things already", where=str(folder), fix=fix)
    with opened(pool, item) as contents:
        try:
            with whole_folder(folder) as aside:
                _fill(aside, contents)
                write_sheets(_pictures(contents), aside, _SHEET)
                shown_here = {"pool": str(pool.root.absolute()), "contribution": item.digest}
                write_whole(aside / _SHOWN, json.dumps(shown_here) + "\n")
        except OSError as exc:
            raise written_in_vain(folder, exc) from exc
    return open_workspace(folder), item


def _fill(root: Path, contents: Contents) -> None:
    whole = contents.whole
    first = next(iter(contents.photos.values()), None)  # none: all is of unknown scale
    edge = first.edge if first else "drop"
    workspace = create_workspace(root, whole.cell_mm, whole.tile_px, edge)
    site, day = whole.giving.site, whole.taken_on
    batch = Batch(f"{site} {day}", site, day, whole.giving.giver, whole.giving.licence, ())
    with open_store(workspace) as store:
        for key, labels in groupby(contents.given(), lambda label: tile_place(label.picture)[0]):
            photo, said = contents.photos[key], list(labels)
            tiles = _write_tiles(workspace, photo, contents, said)
            store.add_photo(batch, photo, tiles)
            store.set_checklist(batch.id, whole.looked_for)
            store.add_statements(
                (_tile_of(contents, label.picture), _as_given(label.statement)) for label in said
            )
        for label in contents.labels():
            if label.picture in contents.item.corrections:
                store.add_statements([(_tile_of(contents, label.picture), label.statement)])
    if own := [entry for entry in whole.species if is_local_code(entry.code)]:
        write_whole(root / OWN_SPECIES, _species_text(own))


def _pictures(contents: Contents) -> Iterator[Shown]:
    """Yield all pictures, with the names by which they are found in the archive."""
    keys_in_order = (key for key, _ in contents.tiles())
    for photo, of_photo in groupby(keys_in_order, lambda key: tile_place(key)[0]):
        keys = list(of_photo)
        places = [tile_place(key)[1:] for key in keys]
        tiles = map(contents.picture, keys)
        yield shown_tiles(f"data/tiles/{photo}", places, tiles, contents.whole.tile_px)
    for name, data in contents.beside_tiles():
        yield shown(name, data)


def _as_given(said: Statement) -> Statement:
    """Return what was given as no review of ours: the giver's own reviews are theirs."""
    return replace(said, origin=Origin.PAGE) if said.origin is Origin.REVIEW else said


def _write_tiles(
    workspace: Workspace, photo: Photo, contents: Contents, said: Sequence[GivenLabel]
) -> list[Tile]:
    places = [tile_place(label.picture)[1:] for label in said]
    pictures = (contents.picture(label.picture) for label in said)
    spans = write_archive(tile_archive(workspace, photo.digest), zip(places, pictures, strict=True))
    return [
        Tile(
            photo_digest=photo.digest,
            row=row,
            col=col,
            footprint=cell_footprint(photo.grid, row, col),
            gsd_mm_per_px=photo.scale.gsd_mm_per_px,
            inside_share=1.0,
            offset=offset,
            length=length,
        )
        for (row, col), (offset, length) in zip(places, spans, strict=True)
    ]


def _tile_of(contents: Contents, key: str) -> TileKey:
    photo, row, col = tile_place(key)
    return contents.photos[photo].digest, row, col


def _species_text(entries: Iterable[Species]) -> str:
    text = io.StringIO()
    rows = csv.writer(text, lineterminator="\n")
    rows.writerow(
        ("eppo_code", "rank", "scientific_name", "family", "usual_role", "name_en", "name_de",
         "name_es", "aliases", "code_source")
    )  # fmt: skip
    for entry in entries:
        rows.writerow(
            (entry.code, entry.rank, entry.scientific_name, entry.family, entry.usual_role,
             entry.name_en, "", "", "", "local")
        )  # fmt: skip
    return text.getvalue()
