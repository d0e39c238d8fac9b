"""From frame to frame: one map of a drive, so that no plant is treated or counted twice.

Each frame's plants are paired one to one with those of the map, nearest first, within a gate;
see `pairing`. Whatever cannot be placed, or not be told from what was treated, is left alone.
All of it is pure: maps in, maps out; `drive` holds the one at hand.
"""

from __future__ import annotations

import math
from dataclasses import astuple, replace

import numpy as np

from weedset.board.decide import Rule
from weedset.board.drives.drivemap import (
    Advanced,
    Care,
    DriveMap,
    Obstacle,
    Offer,
    Passed,
    Plant,
    SeenFrame,
    State,
    drifted_mm2,
    off_mm_now,
    one_plant_mm,
    places_mm,
    slip_mm,
)
from weedset.board.drives.pairing import paired_up
from weedset.board.motion import Motion
from weedset.board.steps import (
    Drift,
    Pose,
    Step,
    fused,
    image_step,
    in_drive,
    in_machine,
    moved,
    odometry_step,
)
from weedset.lens import Floats

#: How many sigmas what is to be kept clear of may lie off, as for the guard of one frame.
_CLEAR_SIGMAS = 2.0

#: An obstacle seen again takes the place of an older one that is no larger, give or take.
_LARGER_MM = 5.0

#: Beyond so many of each nothing is offered.
_MOST_HELD = 4000

_NO_STEP = Step(0.0, 0.0, 0.0, Drift())


def advance(before: DriveMap, frame: SeenFrame, rule: Rule, care: Care) -> Advanced:
    """Return the map after one more frame, and what may be treated now.

    A frame that cannot be placed, or not be trusted, leaves the map as it is and offers
    nothing.
    """
    if frame.fault:
        return Advanced(before, (), False, frame.fault)
    if before.taken_s is not None and not frame.taken_s > before.taken_s:
        return Advanced(before, (), False, "not later than the frame before it")
    if frame.odometry and not all(map(math.isfinite, astuple(frame.odometry))):
        frame = replace(frame, odometry=None)
    first = before.taken_s is None and before.adrift is None
    step = _NO_STEP if first else _step(before, frame, care)
    if isinstance(step, str):
        jumped = step if frame.odometry and before.odometry else None
        return Advanced(replace(before, adrift=before.adrift or jumped), (), False, step)
    standing = not first and _stands(step, care)
    now = before if standing else _stepped(before, step, frame)
    now = replace(now, taken_s=frame.taken_s)
    now = paired_up(now, frame, rule, care, fresh=not standing)
    now = replace(now, obstacles=_obstacles(now, frame))
    now, dropped = _forgotten(now, care)
    offers, why_not = offered(now, care)
    return Advanced(now, offers, not standing, why_not, dropped)


def offered(now: DriveMap, care: Care) -> tuple[tuple[Offer, ...], str | None]:
    """Return what of a map may be treated where the machine stands, and why nothing may."""
    if reason := now.adrift or _forgot(now, care):
        return (), reason
    approved = [plant for plant in now.plants if plant.state is State.APPROVED]
    clear = _clear_mm(places_mm(approved), now, care)
    offers = []
    for plant, spare_mm in zip(approved, clear, strict=True):
        off_mm = off_mm_now(plant, now)
        if spare_mm >= 0 and off_mm is not None and off_mm <= care.most_off_mm:
            offers.append(_offer(plant, now, off_mm))
    if approved and all(plant.bias_mm is None for plant in approved):
        return (), "the camera's profile does not tell how far off a position may lie"
    return tuple(offers), None


def treated(now: DriveMap, plant_id: int, care: Care) -> DriveMap:
    """Return the map with a plant marked as treated, and what may be the same plant as left.

    That is what stands so close that it may be a part of it, and what was not just seen beside
    it in one frame and may for all that is known of positions be it.
    Raises KeyError for a plant that is not approved.
    """
    it = next((p for p in now.plants if p.id == plant_id), None)
    if it is None or it.state is not State.APPROVED:
        raise KeyError(plant_id)
    both_mm2 = drifted_mm2(now.plants, now) + drifted_mm2([it], now)
    plants = [
        _beside(plant, it, float(drifted), now, care)
        for plant, drifted in zip(now.plants, both_mm2, strict=True)
    ]
    return replace(now, plants=tuple(plants))


def _beside(plant: Plant, it: Plant, drifted_mm2: float, now: DriveMap, care: Care) -> Plant:
    """Return a plant as it is once `it` was treated, which it may itself be."""
    if plant.id == it.id:
        return replace(plant, state=State.TREATED)
    if plant.state not in (State.SEEN, State.APPROVED):
        return plant
    near_mm = one_plant_mm(plant.radius_mm, it.radius_mm, care)
    if plant.seen_s == it.seen_s:
        plant = replace(plant, apart_from=plant.apart_from | {it.id})
    else:
        either_mm2 = drifted_mm2 + plant.random_mm2 + it.random_mm2
        near_mm += care.gate_sigmas * math.sqrt(either_mm2) + slip_mm(it, now)
    if math.hypot(plant.x_mm - it.x_mm, plant.y_mm - it.y_mm) > near_mm:
        return plant
    reason = f"stands close to plant {it.id}, or is it, which was treated"
    return replace(plant, state=State.LEFT, reason=reason)


def anchored(now: DriveMap, pose: Pose, off_mm: float, off_deg: float) -> DriveMap:
    """Return the map with the machine placed anew, as someone who knows says (one sigma).

    That is how a drive goes on after a restart, or once it was adrift. The next frame is taken
    to be from there.
    """
    off = Drift(random_mm2=off_mm**2, random_rad2=math.radians(off_deg) ** 2)
    drift = now.drift + off
    return replace(now, pose=pose, drift=drift, odometry=None, taken_s=None, adrift=None)


def _step(before: DriveMap, frame: SeenFrame, care: Care) -> Step | str:
    """Return the step to a frame from what tells of it, or why nothing does."""
    seen = image_step(frame.motion) if isinstance(frame.motion, Motion) else None
    wheels = None
    missing = "no odometry"
    if frame.odometry and before.odometry and before.taken_s is not None:
        wheels = odometry_step(
            before.odometry,
            frame.odometry,
            care.odometry_share,
            care.turn_deg_per_m,
            care.slip_share,
        )
        way_mm = wheels.drift.travelled_mm
        if way_mm > care.most_speed_mm_s * (frame.taken_s - before.taken_s):
            wheels, missing = None, f"the odometry jumps by {way_mm:.0f} mm"
    if seen:  # brings a machine back that was adrift, which wheels alone cannot
        return fused(wheels, seen) if wheels and not before.adrift else seen
    if wheels and not before.adrift:
        return wheels
    return before.adrift or f"cannot tell where this is: {frame.motion}, and {missing}"


def _stands(step: Step, care: Care) -> bool:
    moved_mm = math.hypot(step.forward_mm, step.left_mm)
    return moved_mm < care.least_move_mm and abs(step.turn_rad) < math.radians(0.1)


def _stepped(before: DriveMap, step: Step, frame: SeenFrame) -> DriveMap:
    return replace(
        before,
        pose=moved(before.pose, step),
        drift=before.drift + step.drift,
        odometry=frame.odometry,
        adrift=None,
    )


def _clear_mm(places: Floats, now: DriveMap, care: Care) -> Floats:
    """Return how much nearer each place (n, 2) might be to what must not be hurt, (n,)."""
    if not now.obstacles:
        return np.full(len(places), np.inf)
    held = now.obstacles
    off_mm2 = drifted_mm2(held, now) + np.array([it.off_mm**2 for it in held])
    radius_mm = np.array([it.radius_mm for it in held])
    slipped_mm = np.array([slip_mm(it, now) for it in held])
    needed_mm = care.keep_out_mm + radius_mm + _CLEAR_SIGMAS * np.sqrt(off_mm2) + slipped_mm
    apart = places[:, None, :] - places_mm(held)
    return np.asarray((np.hypot(apart[..., 0], apart[..., 1]) - needed_mm).min(axis=1))


def _offer(plant: Plant, now: DriveMap, off_mm: float) -> Offer:
    x_mm, y_mm = in_machine(now.pose, plant.x_mm, plant.y_mm)
    return Offer(
        id=plant.id,
        x_mm=x_mm,
        y_mm=y_mm,
        drive_x_mm=plant.x_mm,
        drive_y_mm=plant.y_mm,
        uncertainty_mm=off_mm,
        species=plant.species,
        probability=plant.probability,
        views=plant.views,
        seen=plant.seen_s == now.taken_s,
    )


def _obstacles(now: DriveMap, frame: SeenFrame) -> tuple[Obstacle, ...]:
    """Return what is to be kept clear of, the new in place of what it covers."""
    new = [
        Obstacle(*in_drive(now.pose, it.x_mm, it.y_mm), it.radius_mm, it.off_mm, now.drift)
        for it in frame.kept_clear
    ]
    old = now.obstacles
    if not new or not old:
        return (*old, *new)[-_MOST_HELD:]
    apart = places_mm(old)[:, None, :] - places_mm(new)
    radius = np.array([it.radius_mm for it in new])
    larger = np.array([it.radius_mm for it in old])[:, None] <= radius + _LARGER_MM
    covered = np.asarray(np.hypot(apart[..., 0], apart[..., 1]) <= radius) & larger
    kept = [it for index, it in enumerate(old) if not covered[index].any()]
    return (*kept, *new)[-_MOST_HELD:]


def _forgotten(now: DriveMap, care: Care) -> tuple[DriveMap, tuple[Plant, ...]]:
    """Drop what lies beyond the horizon; remember where that was."""
    beyond = [_away_mm(it, now.pose) > care.horizon_mm for it in now.plants]
    dropped = tuple(it for it, out in zip(now.plants, beyond, strict=True) if out)
    kept = tuple(it for it, out in zip(now.plants, beyond, strict=True) if not out)
    passed = tuple(
        replace(it, gone=it.gone or _away_mm(it, now.pose) > care.horizon_mm) for it in now.passed
    )
    if not passed or _away_mm(passed[-1], now.pose) > care.horizon_mm / 4:
        passed = (*passed, Passed(now.pose.x_mm, now.pose.y_mm))
    obstacles = tuple(it for it in now.obstacles if _away_mm(it, now.pose) <= care.horizon_mm)
    return replace(now, plants=kept, obstacles=obstacles, passed=passed), dropped


def _forgot(now: DriveMap, care: Care) -> str | None:
    """Return why nothing is offered where the map has forgotten what it should know."""
    if len(now.passed) > _MOST_HELD:
        return "the drive is too long: begin a new one"
    if len(now.obstacles) >= _MOST_HELD:
        return "there is more to keep clear of than the map can hold"
    if any(it.gone and _away_mm(it, now.pose) < care.horizon_mm / 2 for it in now.passed):
        return "back on ground that the map has forgotten: begin a new drive if it is new ground"
    return None


def _away_mm(it: Passed | Obstacle | Plant, pose: Pose) -> float:
    return math.hypot(it.x_mm - pose.x_mm, it.y_mm - pose.y_mm)
