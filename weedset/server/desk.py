"""Everything around the labelling itself: batches, species, progress, what is missing."""

from __future__ import annotations

import re
from collections import defaultdict
from datetime import date
from typing import Any

import numpy as np

from weedset.contribution.giving import past_day
from weedset.fields import Fields
from weedset.labelling import UNNAMED
from weedset.records import Batch
from weedset.server.cells import ORDERS
from weedset.server.index import OPEN
from weedset.server.room import Room
from weedset.server.secondlooks import agreements
from weedset.splits import LEAST_SITES
from weedset.taxonomy import Species, require_codes, search

#: SPDX ids with what they let others do, in plain words. Common practice, no legal advice.
LICENCES = (
    ("CC0-1.0", "Anyone may use my photos for anything. I ask for nothing."),
    ("CC-BY-4.0", "Anyone may use my photos for anything, if they name me."),
    (
        "CC-BY-SA-4.0",
        "Anyone may use my photos if they name me and share what they make of them alike.",
    ),
    (
        "CC-BY-NC-4.0",
        "Others may use my photos if they name me and earn no money with them. "
        "Many shared collections cannot take these.",
    ),
)

#: BBCH principal growth stages, general scale (Meier, "Growth stages of mono- and
#: dicotyledonous plants", 2001), in words for the page.
STAGES = (
    "sprouting, seed leaves",
    "leaves unfolding",
    "side shoots, tillers",
    "stem or rosette growing",
    "harvestable parts growing",
    "flower buds showing",
    "flowering",
    "fruit growing",
    "fruit or seed ripening",
    "dying back",
)

_SITE = re.compile(r"[\w][\w .-]{0,59}")
_MOST_NAME = 80
_MOST_SPECIES = 200

#: Fewer cells than this of a species teach little; common practice, no source.
_FEW_CELLS = 30


def start(room: Room, fields: Fields) -> dict[str, Any]:
    """Answer what the page needs to begin."""
    fields.done()
    room.refresh()
    return {
        "workspace": room.settings.workspace.root.resolve().name,
        "who": room.settings.annotator,
        "last_who": room.store.last_annotator(),
        "unnamed": UNNAMED,
        "cell_mm": room.settings.workspace.cell_mm,
        "tiles": len(room.index),
        "batches": [_batch_record(room, batch) for batch in room.index.batches.values()],
        "orders": [order for order in ORDERS if order != "unsure" or room.suggester],
        "model": room.suggester.model.card.name if room.suggester else None,
        "licences": [{"id": spdx, "words": words} for spdx, words in LICENCES],
        "stages": STAGES,
        "listed": room.listed(),
    }


def _batch_record(room: Room, batch: Batch) -> dict[str, Any]:
    places = room.index.in_photo_order(batch.id)
    photos = [
        photo
        for photo, owner in zip(room.index.photos, room.index.batch_ids, strict=True)
        if owner == batch.id
    ]
    return {
        "id": batch.id,
        "site": batch.site,
        "taken_on": batch.taken_on,
        "giver": batch.giver,
        "licence": batch.licence,
        "cameras": sorted({photo.camera for photo in photos}),
        "photos": len(photos),
        "tiles": len(places),
        "open": int((room.index.state[places] == OPEN).sum()),
        "looked_for": [_species_record(room, room.species[code]) for code in batch.looked_for],
        "missing": _missing(batch),
    }


def _missing(batch: Batch) -> list[str]:
    """Return in words what is missing before a batch can be packed."""
    return [
        words
        for present, words in (
            (batch.looked_for, "the checklist: which plants did you look for?"),
            (batch.licence, "the licence: what may others do with the photos?"),
            (batch.giver, "the giver: whose photos are these? A handle will do."),
        )
        if not present
    ]


def _species_record(room: Room, species: Species) -> dict[str, Any]:
    example = room.index.example(species.code)
    record: dict[str, Any] = {
        "code": species.code,
        "scientific_name": species.scientific_name,
        "names": [name for name in (species.name_en, species.name_de, species.name_es) if name],
        "role": species.usual_role,
        "example": None,
    }
    if example is not None:
        photo = room.index.photo_of(example)
        record["example"] = f"/tile/{room.index.ids[example]}-{photo.digest[:16]}.jpg"
    return record


def batch(room: Room, fields: Fields) -> dict[str, Any]:
    """Save the form of a batch and answer how it reads now."""
    batch_id = room.batch_id(fields)
    site, taken_on = fields.text("site").strip(), past_day(fields, "taken_on", date.today())
    if not _SITE.fullmatch(site):
        raise fields.complaint("site", "holds more than letters, digits, blanks, dots and dashes")
    fields.knows("giver", "licence")
    giver = fields.text("giver").strip() if "giver" in fields else ""
    if len(giver) > _MOST_NAME or not giver.isprintable():
        raise fields.complaint("giver", f"should be at most {_MOST_NAME} printable characters")
    known = room.index.batches[batch_id]
    licences = [known.licence] if known.licence else []
    licences += [spdx for spdx, _ in LICENCES]
    licence = fields.choice("licence", licences) if "licence" in fields else ""
    wanted = require_codes(fields.texts("looked_for"), "looked_for", room.species)
    fields.done()
    if len(wanted) > _MOST_SPECIES:
        raise fields.complaint("looked_for", f"names more than {_MOST_SPECIES} species")
    room.store.reduce_checklist(batch_id, sorted(set(known.looked_for) - set(wanted)))
    room.store.extend_checklist(batch_id, wanted)
    new_id = room.store.describe_batch(
        batch_id, site=site, taken_on=taken_on, giver=giver, licence=licence
    )
    room.index.take_batches(room.store, {batch_id: new_id})
    return {"batch": _batch_record(room, room.index.batches[new_id])}


def species(room: Room, fields: Fields) -> dict[str, Any]:
    """Answer which species match a text; without one, those named by `codes`."""
    fields.knows("text", "codes")
    if "text" in fields:
        found = search(fields.text("text")[:60], room.species, limit=12)
    else:
        codes = fields.texts("codes")[:_MOST_SPECIES]
        found = [room.species[code] for code in codes if code in room.species]
    fields.done()
    return {"species": [_species_record(room, item) for item in found]}


def progress(room: Room, fields: Fields) -> dict[str, Any]:
    """Answer how far the labels are, what was found, and what to photograph next."""
    fields.knows("batch")
    batch_id = room.batch_id(fields)
    fields.done()
    index = room.index
    places = index.in_photo_order(batch_id)
    states = np.bincount(index.state[places], minlength=4).tolist()
    cells: dict[str, int] = defaultdict(int)
    sites: dict[str, set[str]] = defaultdict(set)
    stages: dict[str, set[int]] = defaultdict(set)
    for (code, site, stage), count in index.finds.items():
        if count > 0:
            cells[code] += count
            sites[code].add(site)
            if stage is not None:
                stages[code].add(stage)
    looked_for = {code for item in index.batches.values() for code in item.looked_for}
    codes = sorted(looked_for | cells.keys(), key=lambda code: (-cells[code], code))
    return {
        "tiles": len(places),
        "open": states[0],
        "plants": states[1],
        "bare": states[2],
        "cannot_tell": states[3],
        "looked_at": int((~np.isnan(index.green[places])).sum()),
        "background": room.background.failed,
        "species": [
            {
                **_species_record(room, room.species[code]),
                "cells": cells[code],
                "sites": len(sites[code]),
                "stages": sorted(stages[code]),
                "wanted": _wanted(cells[code], len(sites[code]), stages[code]),
            }
            for code in codes
            if code in room.species
        ],
    }


def _wanted(cells: int, sites: int, stages: set[int]) -> list[str]:
    """Return in words what to photograph next of one species.

    A model is judged on sites that it has not seen: fewer than three cannot be split.
    """
    wanted = []
    if sites < LEAST_SITES:
        wanted.append(f"{LEAST_SITES - sites} more sites" if sites else "anywhere: none found yet")
    if sites and cells < _FEW_CELLS:
        wanted.append(f"{_FEW_CELLS - cells} more cells")
    if stages and not stages & {0, 1}:
        wanted.append("seedlings: that is when weeding is easiest")
    return wanted


def agreement(room: Room, fields: Fields) -> dict[str, Any]:
    """Answer how well two annotators agree, per species."""
    fields.knows("batch")
    batch_id = room.batch_id(fields)
    fields.done()
    found = agreements(room.index, room.store, batch_id)
    return {
        "rows": [
            {
                "code": code,
                "cells": item.count,
                "same": item.same,
                "kappa": item.kappa,
                "low": item.low,
                "high": item.high,
            }
            for code, item in sorted(found.items())
        ]
    }
