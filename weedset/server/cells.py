"""The page's main talk: windows of cells to label, and the labels that come back."""

from __future__ import annotations

from typing import Any

import numpy as np

from weedset.errors import LabelError
from weedset.fields import Fields
from weedset.labelling import newest_opinions, standing_opinion
from weedset.labelstore import Saying
from weedset.records import Opinion, Origin, Statement
from weedset.server.index import OPEN
from weedset.server.orders import Places
from weedset.server.room import Room
from weedset.server.wire import (
    MOST_TILES,
    opinion_record,
    read_annotator,
    read_statement,
    statement_record,
)

ORDERS = ("bare last", "photo", "unsure", "varied", "look-alikes")

#: "own" labels what is open; "second" labels a sample blindly; "review" decides.
WAYS = ("own", "second", "review")

_MOST_SAMPLE = 2000


def window(room: Room, fields: Fields) -> dict[str, Any]:
    """Answer which cells come next (or, counted backwards, came before).

    A queue is made on the first request and named in the answer; it keeps its order
    while labels are made. `after` is the place in the queue to go on from.
    """
    who, way = read_annotator(fields), fields.choice("way", WAYS)
    fields.knows("batch", "queue", "order", "least_green", "sample")
    only_open = fields.truth("only_open")
    after = fields.whole("after", least=-1, most=100_000_000)
    count = fields.whole("count", least=1, most=MOST_TILES)
    name = fields.text("queue") if "queue" in fields else ""
    places = room.queue(name)
    fresh = places is None
    if places is None:
        places = _new_places(room, fields, who, way)
        name, after = room.new_queue(places), -1
    fields.done()
    steps = _steps(room, places, after, count, who, way, only_open)
    return {
        "queue": name,
        "fresh": fresh,
        "length": len(places),
        "partial": bool(np.isnan(room.index.green).any()) and room.background.at_work,
        "cells": cell_records(room, places[steps], who, way, steps.tolist()),
    }


def _new_places(room: Room, fields: Fields, who: str, way: str) -> Places:
    batch_id = room.batch_id(fields)
    if way == "second":
        return room.sample(who, batch_id, fields.whole("sample", least=1, most=_MOST_SAMPLE))
    if way == "review":
        return room.to_review(batch_id)
    order = fields.choice("order", ORDERS)
    return room.ordered(batch_id, order, fields.number("least_green", least=0, most=1))


def _steps(
    room: Room, places: Places, after: int, count: int, who: str, way: str, only_open: bool
) -> Places:
    steps = np.arange(after + 1, len(places))
    if only_open and way == "own":
        steps = steps[room.index.state[places[steps]] == OPEN]
    elif only_open and way == "second":
        ids = {int(room.index.ids[place]): step for step, place in enumerate(places.tolist())}
        mine = {
            ids[tile_id]
            for tile_id, history in room.store.histories(list(ids))
            if _mine(history, who, Origin.PAGE)
        }
        steps = np.asarray([step for step in steps.tolist() if step not in mine], np.intp)
    return steps[:count]


def some(room: Room, fields: Fields) -> dict[str, Any]:
    """Answer how the cells `ids` stand now."""
    who, way = read_annotator(fields), fields.choice("way", WAYS)
    ids = fields.numbers("ids", least=1, most=2**53)
    fields.done()
    if len(ids) > MOST_TILES:
        raise fields.complaint("ids", f"names more than {MOST_TILES} tiles")
    places = [_place(room, int(tile_id)) for tile_id in ids]
    return {"cells": cell_records(room, np.asarray(places, np.intp), who, way, [-1] * len(places))}


def label(room: Room, fields: Fields) -> dict[str, Any]:
    """Save what someone says of one or many cells, all or none, and answer how they stand.

    The answer goes out after the transaction is on the disk. Raises ConflictError where
    another window said something else meanwhile.
    """
    who, way = read_annotator(fields), fields.choice("way", WAYS)
    items, accepted = fields.tables("items"), fields.truth("accepted")
    fields.done()
    if not 1 <= len(items) <= MOST_TILES:
        raise fields.complaint("items", f"should name 1 to {MOST_TILES} tiles")
    room.background.make_way()
    read = [_read_item(room, item, who, way, accepted) for item in items]
    before = dict(room.store.histories([saying.tile_id for _, saying in read]))
    room.store.say([saying for _, saying in read])
    after = dict(room.store.histories(list(before.keys() | {s.tile_id for _, s in read})))
    for place, saying in read:
        was, is_now = before.get(saying.tile_id, []), after.get(saying.tile_id, [])
        room.index.take_change(place, was, is_now)
    room.index.newest = room.store.newest_ids()
    places = np.asarray([place for place, _ in read], np.intp)
    return {"cells": cell_records(room, places, who, way, [-1] * len(places), after)}


def _read_item(room: Room, item: Fields, who: str, way: str, accepted: bool) -> tuple[int, Saying]:
    tile_id = item.whole("id", least=1, most=2**53)
    place = _place(room, tile_id)
    origin = Origin.REVIEW if way == "review" else Origin.PAGE
    statement: Statement | None = None
    item.knows("statement")
    if "statement" in item:
        statement = read_statement(item.table("statement"), who, origin, room.species)
        if accepted and _is_suggested(room, place, statement):
            statement = read_statement(
                item.table("statement"), who, Origin.SUGGESTION, room.species
            )
    saying = Saying(tile_id, who, origin, statement, item.whole("expects", least=0, most=2**53))
    item.done()
    return place, saying


def _is_suggested(room: Room, place: int, statement: Statement) -> bool:
    found = room.suggester.suggestion(place) if room.suggester else None
    return found is not None and (
        (found.statement.verdict, found.statement.present, found.statement.unknown_plant)
        == (statement.verdict, statement.present, statement.unknown_plant)
    )


def _place(room: Room, tile_id: int) -> int:
    place = room.index.place(tile_id)
    if place < 0:
        raise LabelError("there is no such tile", where=f"tile {tile_id}", fix="load the page anew")
    return place


def cell_records(
    room: Room,
    places: Places,
    who: str,
    way: str,
    steps: list[int],
    histories: dict[int, list[Opinion]] | None = None,
) -> list[dict[str, Any]]:
    """Return cells as the page shows them.

    To a second annotator nothing is told of what others, or a model, say.
    """
    if histories is None:
        histories = dict(room.store.histories([int(i) for i in room.index.ids[places]]))
    return [
        _cell_record(room, place, step, who, way, histories.get(int(room.index.ids[place]), []))
        for place, step in zip(places.tolist(), steps, strict=True)
    ]


def _cell_record(
    room: Room, place: int, step: int, who: str, way: str, history: list[Opinion]
) -> dict[str, Any]:
    index = room.index
    photo = index.photo_of(place)
    tile_id = int(index.ids[place])
    origin = Origin.REVIEW if way == "review" else Origin.PAGE
    mine = _mine(history, who, origin)
    green = float(index.green[place])
    record: dict[str, Any] = {
        "id": tile_id,
        "step": step,
        "url": f"/tile/{tile_id}-{photo.digest[:16]}.jpg",
        "around": f"/around/{tile_id}-{photo.digest[:16]}-",
        "photo": photo.name,
        "row": int(index.row[place]),
        "col": int(index.col[place]),
        "batch": index.batch_of(place).id,
        "green": None if np.isnan(green) else round(green, 4),
        "mine": _newest_number(history, who, origin),
        "said": statement_record(mine.statement) if mine and mine.statement else None,
        "stands": None,
        "suggested": None,
    }
    if way == "second":
        return record
    stands = standing_opinion(history)
    record["stands"] = opinion_record(stands) if stands else None
    found = room.suggester.suggestion(place) if room.suggester else None
    if found is not None:
        record["suggested"] = {
            "statement": statement_record(found.statement),
            "sureness": round(found.sureness, 3),
        }
    if way == "review":
        doubt = room.doubts.get(place)
        record["reason"] = doubt.reason if doubt else ""
        record["history"] = [opinion_record(item) for item in history]
        record["opinions"] = [opinion_record(item) for item in newest_opinions(history)]
    return record


def _stream(history: list[Opinion], who: str, origin: Origin) -> list[Opinion]:
    in_review = origin is Origin.REVIEW
    return [
        item
        for item in history
        if item.annotator == who and (item.origin is Origin.REVIEW) == in_review
    ]


def _mine(history: list[Opinion], who: str, origin: Origin) -> Opinion | None:
    said = newest_opinions(_stream(history, who, origin))
    return said[-1] if said else None


def _newest_number(history: list[Opinion], who: str, origin: Origin) -> int:
    said = _stream(history, who, origin)
    return said[-1].id if said else 0
