"""The map of the plants along a drive: what is known of each, and how careful to be.

A plant is a position with an uncertainty in the drive's frame (see `steps`); `advance` says
how frames become a map.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from weedset.board.drives.sightings import KeptClear, Sighting
from weedset.board.motion import Motion
from weedset.board.steps import Drift, Odometry, Pose, variances_mm2
from weedset.lens import Floats

_START, _NO_DRIFT = Pose(), Drift()


@dataclass(frozen=True, slots=True)
class Care:
    """How careful a drive is. All of them common practice, no source.

    `keep_out_mm` is the reach of the tool: it keeps as far from what must not be hurt, and
    what stands nearer than that to a treated plant, edge to edge, may be a part of it. A plant
    is approved from `least_views` views on that each say so, and offered while its position is
    surer than `most_off_mm` (one sigma). Odometry is off by `odometry_share` of the way and
    `turn_deg_per_m` (one sigma), and where no picture confirms it the wheels may have slipped
    by `slip_share`, at worst; faster than `most_speed_mm_s` is no motion. What is further than
    `horizon_mm` from the machine is dropped. Positions within `gate_sigmas` may be of one
    plant. A frame that is less than `least_move_mm` from the last one used is no view of its
    own.
    """

    keep_out_mm: float = 10.0
    least_views: int = 2
    most_off_mm: float = 15.0
    odometry_share: float = 0.05
    turn_deg_per_m: float = 2.0
    slip_share: float = 0.5
    most_speed_mm_s: float = 3000.0
    horizon_mm: float = 2000.0
    gate_sigmas: float = 4.0
    least_move_mm: float = 1.0


class State(StrEnum):
    """What became of a plant. Only APPROVED ones are offered, and TREATED never again."""

    SEEN = "seen"
    APPROVED = "approved"
    TREATED = "treated"
    LEFT = "left"


@dataclass(frozen=True, slots=True)
class Plant:
    """A plant of the map, in the drive's frame.

    `random_mm2` was its variance by chance when its position was last seen, at the drift
    `placed`; `bias_mm` (one sigma) comes on top, None where camera or mounting do not tell.
    `log_odds` are the sums over `views`, `agreeing` of which said treat. `species` is what the
    pooled decision turned on. LEFT is for good; `reason` says why it is in its state. Beside
    the treated plants `apart_from` it was seen in one frame, so it is none of them.
    """

    id: int
    x_mm: float
    y_mm: float
    random_mm2: float
    bias_mm: float | None
    radius_mm: float
    placed: Drift
    seen_s: float
    log_odds: tuple[float, ...] = ()
    views: int = 0
    agreeing: int = 0
    species: str | None = None
    probability: float | None = None
    state: State = State.SEEN
    reason: str = ""
    apart_from: frozenset[int] = frozenset()


@dataclass(frozen=True, slots=True)
class Obstacle:
    """Ground to be kept clear of, in the drive's frame, placed at the drift `placed`."""

    x_mm: float
    y_mm: float
    radius_mm: float
    off_mm: float
    placed: Drift


@dataclass(frozen=True, slots=True)
class Passed:
    """A place where the machine was; `gone`: what stood about it is dropped from the map."""

    x_mm: float
    y_mm: float
    gone: bool = False


@dataclass(frozen=True, slots=True)
class DriveMap:
    """All that is known of a drive after a frame. `adrift` is why nothing may be offered."""

    pose: Pose = _START
    drift: Drift = _NO_DRIFT
    plants: tuple[Plant, ...] = ()
    obstacles: tuple[Obstacle, ...] = ()
    passed: tuple[Passed, ...] = ()
    next_id: int = 1
    taken_s: float | None = None
    odometry: Odometry | None = None
    adrift: str | None = None


@dataclass(frozen=True, slots=True)
class SeenFrame:
    """One frame as `advance` takes it.

    `motion` is from the last frame that was used to this one, or why it cannot be told;
    `odometry` None where there is none. `fault` is why nothing in the frame may be acted on.
    """

    taken_s: float
    sightings: tuple[Sighting, ...]
    kept_clear: tuple[KeptClear, ...] = ()
    motion: Motion | str = "no picture"
    odometry: Odometry | None = None
    fault: str | None = None


@dataclass(frozen=True, slots=True)
class Offer:
    """A plant that may be treated now, in the machine's frame and in the drive's.

    `uncertainty_mm` is one sigma. (`x_mm`, `y_mm`) is in the machine's frame of this frame,
    in which it was `seen`, or not: it may have left the view, or be gone.
    """

    id: int
    x_mm: float
    y_mm: float
    drive_x_mm: float
    drive_y_mm: float
    uncertainty_mm: float
    species: str | None
    probability: float | None
    views: int
    seen: bool


@dataclass(frozen=True, slots=True)
class Advanced:
    """What a frame led to.

    `used` says whether the map moved on to it; `why_not` why it did not, or why nothing is
    offered; `dropped` are the plants that are now beyond the horizon.
    """

    map: DriveMap
    offers: tuple[Offer, ...]
    used: bool
    why_not: str | None = None
    dropped: tuple[Plant, ...] = ()


def places_mm(things: Sequence[Plant | Obstacle]) -> Floats:
    """Return where things of the map lie, (n, 2)."""
    return np.array([(it.x_mm, it.y_mm) for it in things]).reshape(-1, 2)


def drifted_mm2(things: Sequence[Plant | Obstacle], now: DriveMap) -> Floats:
    """Return by how much, squared, the machine's drift may have moved each since, (n,)."""
    return variances_mm2([it.placed for it in things], now.drift, places_mm(things), now.pose)


def off_mm_now(plant: Plant, now: DriveMap) -> float | None:
    """Return how far off a plant may lie as seen from the machine, one sigma, if known."""
    if plant.bias_mm is None:
        return None
    random_mm2 = plant.random_mm2 + float(drifted_mm2([plant], now)[0])
    # The worst that wheels may slip counts as two sigmas.
    return math.sqrt(random_mm2 + plant.bias_mm**2 + (slip_mm(plant, now) / 2) ** 2)


def slip_mm(thing: Plant | Obstacle, now: DriveMap) -> float:
    """Return how far at worst wheels may have slipped unseen since something was placed."""
    return now.drift.slip_mm - thing.placed.slip_mm


def one_plant_mm(radius_mm: float, other_mm: float, care: Care) -> float:
    """Return how near two middles are that may be parts of one plant, by their radii.

    Stalks do not show, so the leaves of one plant may look like two plants side by side.
    """
    return radius_mm + other_mm + care.keep_out_mm
