"""Labelled tiles whose labels are to be doubted: of a workspace, or of a pool."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from weedset.contribution.layout import tile_place
from weedset.labelling import newest_opinions
from weedset.labelstore import open_label_store
from weedset.pool.contents import opened
from weedset.pool.layout import Pool
from weedset.pool.selection import select
from weedset.pool.standing import Standing, State
from weedset.pool.twins import Place
from weedset.records import Origin, Statement
from weedset.settings import Workspace, tile_archive
from weedset.tilearchive import read_tile


@dataclass(frozen=True, slots=True)
class Told:
    """A labelled tile and what stands for it; `contribution` is "" in a workspace.

    `decided` says that a review, or the maintainer, has looked at it already.
    """

    photo: str
    row: int
    col: int
    name: str
    batch: str
    site: str
    contribution: str
    statement: Statement
    looked_for: frozenset[str]
    decided: bool


#: What several people said of one picture, with what each of them looked for.
Sayings = tuple[tuple[Statement, frozenset[str]], ...]


@dataclass(frozen=True, slots=True)
class Gathered:
    """Labelled tiles, their JPEGs in the same order, to be read once, and who said what.

    `sayings` are of pictures that several people labelled, each by themselves.
    """

    told: tuple[Told, ...]
    pictures: Iterator[bytes]
    sayings: tuple[Sayings, ...]


def of_workspace(workspace: Workspace) -> Gathered:
    """Return what is labelled in a workspace. Raises what reading the store raises."""
    with open_label_store(workspace) as store:
        tiles = store.labelled_tiles()
        places = {row[0]: row[1:4] for row in store.tile_rows()}
        histories = {places[tile_id]: history for tile_id, history in store.histories()}
    told, sayings = [], []
    for item in tiles:
        tile = item.tile
        told.append(
            Told(
                photo=tile.photo_digest,
                row=tile.row,
                col=tile.col,
                name=item.photo_name,
                batch=item.batch_id,
                site=item.site,
                contribution="",
                statement=item.statement,
                looked_for=item.looked_for,
                decided=item.statement.origin is Origin.REVIEW,
            )
        )
        alone = [
            (opinion.statement, item.looked_for)
            for opinion in newest_opinions(histories[tile.photo_digest, tile.row, tile.col])
            if opinion.origin is not Origin.REVIEW and opinion.statement is not None
        ]
        if len(alone) > 1:
            sayings.append(tuple(alone))

    def pictures() -> Iterator[bytes]:
        for item in tiles:
            yield read_tile(tile_archive(workspace, item.tile.photo_digest), item.tile)

    return Gathered(tuple(told), pictures(), tuple(sayings))


def of_pool(pool: Pool, also: Standing | None = None) -> Gathered:
    """Return what the next edition would hold, and the contribution in `also`, of twins the first.

    Raises PoolError where an archive is gone or damaged.
    """
    chosen = select(pool, also)
    left_out = chosen.twins | chosen.taken_back
    group_of = {place: i for i, group in enumerate(chosen.groups) for place in group}
    said: dict[int, list[tuple[Statement, frozenset[str]]]] = {}
    told: list[Told] = []
    wanted: list[tuple[Standing, list[str]]] = []
    for number, item in enumerate(chosen.items):
        if item.state is State.WITHDRAWN:
            continue
        keys: list[str] = []
        with opened(pool, item) as contents:
            looked_for = frozenset(contents.whole.looked_for)
            given = {label.picture: label for label in contents.given(item.corrections)}
            for label in contents.labels():
                place = Place(number, label.picture)
                if place in group_of:
                    alone = given.get(label.picture, label).statement
                    said.setdefault(group_of[place], []).append((alone, looked_for))
                if place in left_out:
                    continue
                keys.append(label.picture)
                photo_key, row, col = tile_place(label.picture)
                told.append(
                    Told(
                        photo=contents.photos[photo_key].digest,
                        row=row,
                        col=col,
                        name=photo_key,
                        batch=item.batch,
                        site=item.site,
                        contribution=item.digest,
                        statement=label.statement,
                        looked_for=looked_for,
                        decided=label.picture in item.looked_at,
                    )
                )
        wanted.append((item, keys))
    several = tuple(tuple(group) for group in said.values() if len(group) > 1)
    return Gathered(tuple(told), _pictures(pool, wanted), several)


def _pictures(pool: Pool, wanted: Sequence[tuple[Standing, list[str]]]) -> Iterator[bytes]:
    for item, keys in wanted:
        with opened(pool, item) as contents:
            for key in keys:
                yield contents.picture(key)
