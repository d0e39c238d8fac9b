"""A drive for `python -m weedset.board`: each plant is told to be treated in one line, once.

Before that line is written the plant is noted as treated. So whatever crashes, machine or
program, a plant may be left that was offered, but none is offered twice.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

from weedset.board.drives.drive import Drive, Looked
from weedset.board.drives.drivemap import DriveMap, Offer, Plant, State, off_mm_now
from weedset.board.eye import Eye
from weedset.board.frames import Shot
from weedset.board.steps import in_machine
from weedset.board.targets import read_mounting
from weedset.errors import printable
from weedset.records import Action


@dataclass(frozen=True, slots=True)
class Followed:
    """A frame of a drive, the map after it, and what was taken to be treated now."""

    looked: Looked
    map: DriveMap
    taken: tuple[Offer, ...]


def open_drive(
    eye: Eye, mounting: Path, treated_file: Path, anchor: Sequence[float] | None
) -> Drive:
    """Open a drive; `anchor` is x_mm, y_mm, heading_deg, off_mm, off_deg, see `Drive.anchor`.

    Raises CameraError for the mounting, DriveError for the list of treated plants.
    """
    drive = Drive(eye, read_mounting(mounting), treated_file)
    if anchor is not None:
        x_mm, y_mm, heading_deg, off_mm, off_deg = anchor
        drive.anchor(x_mm, y_mm, heading_deg, off_mm, off_deg)
    return drive


def follow(drive: Drive, shot: Shot) -> Followed:
    """Take a frame into the map, and take what it offers. Raises as `Drive` does."""
    looked = drive.see(shot.data, shot.name, shot.taken_s, shot.odometry)
    taken = []
    while drive.offers:  # one that is taken may take others off
        taken.append(drive.take(drive.offers[0].id))
    return Followed(looked, drive.map, tuple(taken))


def drive_records(step: Followed) -> list[dict[str, object]]:
    """Return one record of the drive, then one per plant that is new to tell of.

    That is a plant in this frame, or one that was treated and is still in the map; and those
    that left the map. Only a plant with the decision "treat" may be acted on, and it has that
    in one record ever. mm to a tenth; positions in the machine's frame of this frame, and in
    the drive's.
    """
    now, advanced = step.map, step.looked.advanced
    motion = step.looked.motion
    head = {
        "record": "drive",
        "photo": step.looked.photo.name,
        "used": advanced.used,
        "why_not": advanced.why_not,
        "motion": motion if isinstance(motion, str) else _rounded(asdict(motion)),
        "x_mm": round(now.pose.x_mm, 1),
        "y_mm": round(now.pose.y_mm, 1),
        "heading_deg": round(math.degrees(now.pose.heading_rad), 2),
        "travelled_mm": round(now.drift.travelled_mm, 1),
        "plants": _counts(now),
    }
    if advanced.why_not and not advanced.used:  # nobody knows where the plants are now
        return [head]
    taken = {offer.id for offer in step.taken}
    told = [it for it in now.plants if it.seen_s == now.taken_s or it.state is State.TREATED]
    return [
        head,
        *(_plant_record("plant", it, now, it.id in taken) for it in told),
        *(_plant_record("dropped", it, now, False) for it in advanced.dropped),
    ]


def drive_lines(step: Followed) -> Iterator[str]:
    """Yield a summary for people, then each plant to treat."""
    counts = ", ".join(f"{count} {state}" for state, count in _counts(step.map).items())
    yield f"{printable(step.looked.photo.name)}: {len(step.map.plants)} plants: {counts}"
    if step.looked.advanced.why_not:
        yield f"  nothing is treated: {step.looked.advanced.why_not}"
    for it in step.taken:
        where = f"({it.x_mm:.1f}, {it.y_mm:.1f}) mm, give or take {it.uncertainty_mm:.1f}"
        yield f"  treat: plant {it.id} at {where}: {it.species} in {it.views} views"


def _counts(now: DriveMap) -> dict[str, int]:
    counts = Counter(it.state for it in now.plants)
    return {str(state): counts[state] for state in State}


def _plant_record(kind: str, it: Plant, now: DriveMap, treat: bool) -> dict[str, object]:
    x_mm, y_mm = in_machine(now.pose, it.x_mm, it.y_mm)
    off_mm = off_mm_now(it, now)
    return {
        "record": kind,
        "id": it.id,
        "x_mm": round(x_mm, 1),
        "y_mm": round(y_mm, 1),
        "drive_x_mm": round(it.x_mm, 1),
        "drive_y_mm": round(it.y_mm, 1),
        "uncertainty_mm": None if off_mm is None else round(off_mm, 1),
        "radius_mm": round(it.radius_mm, 1),
        "views": it.views,
        "agreeing": it.agreeing,
        "state": str(it.state),
        "decision": str(Action.TREAT if treat else Action.LEAVE),
        "species": it.species,
        "probability": None if it.probability is None else round(it.probability, 4),
        "reason": it.reason,
    }


def _rounded(numbers: dict[str, float]) -> dict[str, float]:
    return {name: round(value, 3) for name, value in numbers.items()}
