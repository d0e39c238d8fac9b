"""How far a machine went from one frame to the next, and how sure that is.

The drive's frame: x forward, y to the left, in mm, as the machine stood at the beginning;
headings count counterclockwise seen from above.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from weedset.board.motion import Motion
from weedset.lens import Floats

#: Two measures of one step contradict each other beyond so many sigmas.
_CONTRADICT_SIGMAS = 4.0

#: Wheels slip, so that the ground tells of a shorter way; what lies outside of this share of
#: the wheels' way is no slip but a picture that misleads. Common practice, no source.
_LEAST_SLIPPED, _MOST_SLIPPED = 0.3, 1.2

#: One sigma by chance of what wheels tell, whatever the way. Common practice, no source.
_ODOMETRY_MM, _ODOMETRY_DEG = 0.5, 0.1


@dataclass(frozen=True, slots=True)
class Odometry:
    """Where the machine takes itself to be, in any frame that stays put; from wheels or so."""

    x_mm: float
    y_mm: float
    heading_deg: float


@dataclass(frozen=True, slots=True)
class Pose:
    """Where the machine stands in the drive's frame."""

    x_mm: float = 0.0
    y_mm: float = 0.0
    heading_rad: float = 0.0


@dataclass(frozen=True, slots=True)
class Drift:
    """What may have gone wrong with the pose since the beginning of the drive.

    What is off by chance adds up in squares (`random_mm2`, `random_rad2`), what is off by the
    same share all the time adds up as it is (`linear_mm`, `linear_rad`). `slip_mm` is how much
    more the wheels may have slipped unseen, at worst. `travelled_mm` is the way.
    """

    random_mm2: float = 0.0
    linear_mm: float = 0.0
    random_rad2: float = 0.0
    linear_rad: float = 0.0
    slip_mm: float = 0.0
    travelled_mm: float = 0.0

    def __add__(self, other: Drift) -> Drift:
        return Drift(
            self.random_mm2 + other.random_mm2,
            self.linear_mm + other.linear_mm,
            self.random_rad2 + other.random_rad2,
            self.linear_rad + other.linear_rad,
            self.slip_mm + other.slip_mm,
            self.travelled_mm + other.travelled_mm,
        )


@dataclass(frozen=True, slots=True)
class Step:
    """A move in the machine's frame before it, with what it adds to the drift."""

    forward_mm: float
    left_mm: float
    turn_rad: float
    drift: Drift


def variances_mm2(placed: Sequence[Drift], now: Drift, places_mm: Floats, pose: Pose) -> Floats:
    """Return how far off, squared, what was placed at those drifts may lie by now, (n,).

    `places_mm` (n, 2) are in the drive's frame. A heading that is off moves what lies away
    from the machine, and the way since.
    """
    if not len(placed):
        return np.zeros(0)
    then = np.array(
        [(d.random_mm2, d.linear_mm, d.random_rad2, d.linear_rad, d.travelled_mm) for d in placed]
    ).T
    away_mm = np.hypot(places_mm[:, 0] - pose.x_mm, places_mm[:, 1] - pose.y_mm)
    lever_mm = np.maximum(away_mm, now.travelled_mm - then[4])
    # A difference of two sums of the same terms may come out as less than nothing.
    turned = np.sqrt(np.maximum(now.random_rad2 - then[2], 0)) + now.linear_rad - then[3]
    random_mm2 = np.maximum(now.random_mm2 - then[0], 0)
    return np.asarray(random_mm2 + (now.linear_mm - then[1]) ** 2 + (turned * lever_mm) ** 2)


def moved(pose: Pose, step: Step) -> Pose:
    """Return the pose after a step."""
    x_mm, y_mm = in_drive(pose, step.forward_mm, step.left_mm)
    return Pose(x_mm, y_mm, pose.heading_rad + step.turn_rad)


def in_drive(pose: Pose, forward_mm: float, left_mm: float) -> tuple[float, float]:
    """Return where in the drive's frame a point of the machine's frame lies."""
    cos, sin = math.cos(pose.heading_rad), math.sin(pose.heading_rad)
    return (
        pose.x_mm + cos * forward_mm - sin * left_mm,
        pose.y_mm + sin * forward_mm + cos * left_mm,
    )


def in_machine(pose: Pose, x_mm: float, y_mm: float) -> tuple[float, float]:
    """Return where in the machine's frame a point of the drive's frame lies."""
    cos, sin = math.cos(pose.heading_rad), math.sin(pose.heading_rad)
    ahead, left = x_mm - pose.x_mm, y_mm - pose.y_mm
    return cos * ahead + sin * left, cos * left - sin * ahead


def odometry_step(
    before: Odometry, now: Odometry, share: float, turn_deg_per_m: float, slip_share: float
) -> Step:
    """Return the step between two readings; see `Care` for the three measures of doubt."""
    start = Pose(before.x_mm, before.y_mm, math.radians(before.heading_deg))
    forward_mm, left_mm = in_machine(start, now.x_mm, now.y_mm)
    turn = math.remainder(math.radians(now.heading_deg - before.heading_deg), math.tau)
    way_mm = math.hypot(forward_mm, left_mm)
    drift = Drift(
        random_mm2=_ODOMETRY_MM**2,
        linear_mm=share * way_mm,
        random_rad2=math.radians(_ODOMETRY_DEG) ** 2,
        linear_rad=math.radians(turn_deg_per_m) * way_mm / 1000 + share * abs(turn),
        slip_mm=slip_share * way_mm,
        travelled_mm=way_mm,
    )
    return Step(forward_mm, left_mm, turn, drift)


def image_step(motion: Motion) -> Step:
    """Return a motion told from pictures as a step."""
    way_mm = math.hypot(motion.forward_mm, motion.left_mm)
    drift = Drift(
        random_mm2=motion.sigma_mm**2,
        linear_mm=motion.scale_share * way_mm,
        random_rad2=math.radians(motion.sigma_deg) ** 2,
        travelled_mm=way_mm,
    )
    return Step(motion.forward_mm, motion.left_mm, math.radians(motion.turn_deg), drift)


def fused(wheels: Step, seen: Step) -> Step:
    """Return what two measures of one step say together, each weighted by 1 / variance.

    The textbook mean of two independent measures. Where they contradict each other and the
    wheels may just have slipped, the pictures alone count; where it is no slip, nobody knows,
    and the step is as uncertain as they are apart.
    """
    apart_mm = math.hypot(wheels.forward_mm - seen.forward_mm, wheels.left_mm - seen.left_mm)
    either_mm2 = _step_mm2(wheels) + _step_mm2(seen)
    if apart_mm > _CONTRADICT_SIGMAS * math.sqrt(either_mm2):
        slipped = _LEAST_SLIPPED <= _share_of_way(seen, wheels) <= _MOST_SLIPPED
        doubt = Drift() if slipped else Drift(random_mm2=apart_mm**2)
        return Step(seen.forward_mm, seen.left_mm, seen.turn_rad, seen.drift + doubt)
    a = _weight(_step_mm2(wheels), _step_mm2(seen))
    b = _weight(_step_rad2(wheels), _step_rad2(seen))
    one, two = wheels.drift, seen.drift
    return Step(
        forward_mm=a * wheels.forward_mm + (1 - a) * seen.forward_mm,
        left_mm=a * wheels.left_mm + (1 - a) * seen.left_mm,
        turn_rad=b * wheels.turn_rad + (1 - b) * seen.turn_rad,
        drift=Drift(
            random_mm2=a**2 * one.random_mm2 + (1 - a) ** 2 * two.random_mm2,
            linear_mm=math.hypot(a * one.linear_mm, (1 - a) * two.linear_mm),
            random_rad2=b**2 * one.random_rad2 + (1 - b) ** 2 * two.random_rad2,
            linear_rad=math.hypot(b * one.linear_rad, (1 - b) * two.linear_rad),
            travelled_mm=two.travelled_mm,
        ),
    )


def _share_of_way(seen: Step, wheels: Step) -> float:
    """Return by what share of the wheels' way the ground moved the same way."""
    way_mm2 = wheels.forward_mm**2 + wheels.left_mm**2
    if not way_mm2:
        return math.inf
    return (seen.forward_mm * wheels.forward_mm + seen.left_mm * wheels.left_mm) / way_mm2


def _weight(variance: float, other: float) -> float:
    total = variance + other
    return other / total if total else 0.5


def _step_mm2(step: Step) -> float:
    return step.drift.random_mm2 + step.drift.linear_mm**2


def _step_rad2(step: Step) -> float:
    return step.drift.random_rad2 + step.drift.linear_rad**2
