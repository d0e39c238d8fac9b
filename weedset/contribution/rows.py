"""The rows of a contribution: one for each photo, one for each labelled picture."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from weedset.contribution.batch import Contribution
from weedset.contribution.giving import past_day, plain_text
from weedset.fields import Fields
from weedset.findings import Spot
from weedset.labelling import contradiction
from weedset.profile import profile_to_json, read_profile
from weedset.records import (
    CameraProfile,
    CellLimits,
    Edge,
    GroundGrid,
    Origin,
    Photo,
    Scale,
    ScaleSource,
    Statement,
    Verdict,
    View,
)
from weedset.view import read_view, view_record

_DIGEST = re.compile(r"[0-9a-f]{64}")
_PHOTO = re.compile(r"p[0-9]{5}")

#: The view of a photo may say nothing absurd.
_MOST_IN_VIEW = {
    "width_px": 100_000,
    "height_px": 100_000,
    "distance_mm": 1e6,
    "centre_x_px": 1e6,
    "centre_y_px": 1e6,
    "pitch_deg": 90,
    "roll_deg": 90,
}


@dataclass(frozen=True, slots=True)
class GivenLabel:
    """A statement with the picture it is about and the day it was made on."""

    picture: str
    statement: Statement
    made_on: str


def photo_row(key: str, photo: Photo) -> dict[str, object]:
    """Return the row of a photo: neither its file name nor its hour, which stay at home."""
    return {
        "photo": key,
        "digest": photo.digest,
        "gsd_mm_per_px": photo.scale.gsd_mm_per_px,
        "gsd_uncertainty_mm_per_px": photo.scale.uncertainty_mm_per_px,
        "scale_source": photo.scale.source,
        "scale_from_exif": photo.scale.from_exif,
        "rows": photo.grid.rows,
        "cols": photo.grid.cols,
        "x_min_mm": photo.grid.x_min_mm,
        "y_min_mm": photo.grid.y_min_mm,
        "edge": photo.edge,
        "worst_gsd_mm_per_px": photo.limits.worst_gsd_mm_per_px,
        "most_oblique_deg": photo.limits.most_oblique_deg,
        "profile": json.loads(profile_to_json(photo.profile)),
        "view": view_record(photo.view),
    }


def photo_from(fields: Fields, whole: Contribution, spot: Spot) -> Photo | None:
    """Read the row of a photo, noting at `spot` each field that is wrong.

    The photo's name is its key. None where its profile or its view cannot be read.
    """

    def number(name: str, **bounds: float) -> float:
        return spot.attempt(lambda: fields.number(name, **bounds), 1.0)

    def optional(name: str, **bounds: float) -> float | None:
        fields.knows(name)
        return number(name, **bounds) if name in fields else None

    def count(name: str) -> int:
        return spot.attempt(lambda: fields.whole(name, least=1, most=99_999), 1)

    def choice(name: str, choices: tuple[str, ...]) -> str:
        return spot.attempt(lambda: fields.choice(name, choices), choices[0])

    edge: Edge = "pad" if choice("edge", ("drop", "pad")) == "pad" else "drop"
    key = spot.attempt(lambda: _shaped(fields, "photo", _PHOTO), "")
    digest = spot.attempt(lambda: _shaped(fields, "digest", _DIGEST), "")
    scale = Scale(
        number("gsd_mm_per_px", above=0, below=1000),
        ScaleSource(choice("scale_source", tuple(ScaleSource))),
        spot.attempt(lambda: fields.truth("scale_from_exif"), False),
        optional("gsd_uncertainty_mm_per_px", least=0, below=1000),
    )
    grid = GroundGrid(
        whole.cell_mm,
        count("rows"),
        count("cols"),
        number("x_min_mm", least=-1e6, most=1e6),
        number("y_min_mm", least=-1e6, most=1e6),
    )
    limits = CellLimits(
        optional("worst_gsd_mm_per_px", above=0, below=1000),
        number("most_oblique_deg", least=1, most=85),
    )
    profile = spot.attempt(lambda: _profile(fields), None)
    view = spot.attempt(lambda: _view(fields, scale), None)
    with spot.catching():
        fields.done()
    if profile is None or view is None:
        return None
    return Photo(
        digest=digest,
        name=key,
        path="",
        width_px=view.width_px,
        height_px=view.height_px,
        taken_at=None,
        camera=profile.name,
        scale=scale,
        grid=grid,
        tile_px=whole.tile_px,
        edge=edge,
        profile=profile,
        view=view,
        limits=limits,
    )


def _profile(fields: Fields) -> CameraProfile | None:
    table = fields.table("profile")
    plain_text(table, "name", 120)
    if "calibration" in table:
        plain_text(table.table("calibration"), "on", 40)
    return read_profile(table)


def _view(fields: Fields, scale: Scale) -> View | None:
    table = fields.table("view")
    view = read_view(table)
    for name, most in _MOST_IN_VIEW.items():
        if name in table:
            table.number(name, least=-most, most=most)
    table.knows("distance_mm", "distortion")
    table.done()
    if view.gsd_mm_per_px != scale.gsd_mm_per_px:
        raise table.complaint("gsd_mm_per_px", "is not that of the photo", "pack it again")
    return view


def label_row(label: GivenLabel) -> dict[str, object]:
    """Return the row of a label."""
    said = label.statement
    return {
        "picture": label.picture,
        "verdict": said.verdict,
        "present": sorted(said.present),
        "doubtful": sorted(said.doubtful),
        "unknown_plant": said.unknown_plant,
        "stages": dict(said.stages),
        "identifiedBy": said.annotator,
        "dateIdentified": label.made_on,
        "origin": said.origin,
    }


def loose_row(label: GivenLabel, digest: str) -> dict[str, object]:
    """Return the row of a picture of unknown scale; `digest` is that of the giver's file."""
    return {**label_row(label), "digest": digest, "scale": "unknown"}


def loose_from(fields: Fields, whole: Contribution, today: date, spot: Spot) -> GivenLabel:
    """Read the row of a picture of unknown scale, noting at `spot` each field that is wrong."""
    spot.attempt(lambda: _shaped(fields, "digest", _DIGEST), "")
    spot.attempt(lambda: fields.choice("scale", ("unknown",)), "")
    return label_from(fields, whole, today, spot)


def label_from(fields: Fields, whole: Contribution, today: date, spot: Spot) -> GivenLabel:
    """Read the row of a label, noting at `spot` each field that is wrong."""
    known = whole.codes

    def codes(name: str) -> frozenset[str]:
        listed: tuple[str, ...] = spot.attempt(lambda: fields.texts(name), ())
        for code in listed:
            if code not in known:
                spot.add(f"{code!r} is not among the batch's species", field=name)
        if len(set(listed)) < len(listed):
            spot.add("names a plant twice", field=name)
        return frozenset(listed)

    def choice(name: str, choices: Sequence[str], otherwise: str) -> str:
        return spot.attempt(lambda: fields.choice(name, choices), otherwise)

    statement = Statement(
        annotator=choice("identifiedBy", whole.annotators, ""),
        origin=Origin(choice("origin", tuple(Origin), Origin.TABLE)),
        verdict=Verdict(choice("verdict", tuple(Verdict), Verdict.CANNOT_TELL)),
        present=codes("present"),
        doubtful=codes("doubtful"),
        unknown_plant=spot.attempt(lambda: fields.truth("unknown_plant"), False),
        stages=_stages(fields, spot),
    )
    clash = contradiction(statement)
    if clash:
        spot.add(clash)
    for code, _ in statement.stages:
        if code not in statement.present | statement.doubtful:
            spot.add(f"gives a stage for {code!r}, which is not there", field="stages")
    label = GivenLabel(
        picture=spot.attempt(lambda: fields.text("picture"), ""),
        statement=statement,
        made_on=spot.attempt(lambda: past_day(fields, "dateIdentified", today), ""),
    )
    with spot.catching():
        fields.done()
    return label


def _stages(fields: Fields, spot: Spot) -> tuple[tuple[str, int], ...]:
    stages = []
    with spot.catching():
        table = fields.table("stages")
        for code in table.names():
            stages.append((code, table.whole(code, least=0, most=9)))
    return tuple(sorted(stages))


def _shaped(fields: Fields, name: str, shape: re.Pattern[str]) -> str:
    text = fields.text(name)
    if shape.fullmatch(text) is None:
        raise fields.complaint(name, f"{text[:80]!r} has not the form it should have")
    return text
