"""Drives at the level of detections, with exact truth: what a frame tells, and how it errs.

All numbers of the noise are invented, on the rough side of what docs/machines.md states.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from tiny_model import CARD

from weedset.board.decide import Rule
from weedset.board.drives.advance import advance, treated
from weedset.board.drives.drivemap import Care, DriveMap, Offer, SeenFrame
from weedset.board.drives.sightings import KeptClear, Sighting
from weedset.board.motion import Motion
from weedset.board.steps import Odometry
from weedset.records import Action, Policy

RULE = Rule(CARD, Policy("bed", frozenset({"CHEAL"}), frozenset()))
CARE = Care()
HALF_LONG_MM, HALF_WIDE_MM = 125.0, 150.0


@dataclass
class Garden:
    """Plants of a strip: `at` (n, 2) in mm, x forward, y left; `crop` (n,)."""

    at: np.ndarray
    radius: np.ndarray
    crop: np.ndarray
    relief: np.ndarray
    gone: np.ndarray


@dataclass
class Tally:
    """What became of the plants of many drives."""

    weeds: int = 0
    offerable: int = 0
    never_offered: int = 0
    treated: int = 0
    twice: int = 0
    missed_strikes: int = 0
    crops: int = 0
    crops_struck: int = 0
    crops_struck_by_merging: int = 0
    crops_in_reach: int = 0
    single_view_crops: int = 0
    plants_seen: int = 0
    plants_counted: int = 0
    off_mm: list[float] = field(default_factory=list)
    sigmas_off: list[float] = field(default_factory=list)


def garden(rng: np.random.Generator, long_mm: float) -> Garden:
    """A crop row every 150 mm, weeds between and in them, no two of them touching."""
    at: list[tuple[float, float]] = []
    radius: list[float] = []
    crop: list[bool] = []
    for y in (-75.0, 75.0):
        for x in np.arange(-60.0, long_mm, rng.uniform(60, 160)):
            at.append((x + rng.normal(0, 8), y + rng.normal(0, 5)))
            radius.append(rng.uniform(10, 28))
            crop.append(True)
    wanted = rng.poisson(rng.uniform(10, 80) * long_mm * 0.3 / 1000)
    for _ in range(wanted):
        at.append((rng.uniform(-60, long_mm), rng.uniform(-140, 140)))
        radius.append(rng.uniform(5, 18))
        crop.append(False)
    kept: list[int] = []
    for i, (x, y) in enumerate(at):
        if all(math.hypot(x - at[j][0], y - at[j][1]) > radius[i] + radius[j] + 2 for j in kept):
            kept.append(i)
    take = np.array(kept)
    n = len(take)
    return Garden(
        np.array(at)[take],
        np.array(radius)[take],
        np.array(crop)[take],
        rng.uniform(0, 0.06, n),
        np.zeros(n, bool),
    )


def true_path(rng: np.random.Generator, frames: int) -> np.ndarray:
    """Poses (n, 3): x, y, heading in rad. Three in ten drives back up for some frames."""
    forward = rng.uniform(40, 80, frames)
    if rng.random() < 0.3:
        at = int(rng.integers(5, frames - 6))
        forward[at : at + int(rng.integers(2, 5))] *= -1
    forward[0] = 0
    heading = np.cumsum(rng.normal(0, 0.005, frames)) + rng.normal(0, 0.0005) * np.arange(frames)
    sideways = rng.normal(0, 1.5, frames)
    x = np.cumsum(forward * np.cos(heading) - sideways * np.sin(heading))
    y = np.cumsum(forward * np.sin(heading) + sideways * np.cos(heading))
    return np.stack([x, y, heading], axis=-1)


def into(pose: np.ndarray, at: np.ndarray) -> np.ndarray:
    """Points (n, 2) of the world in the machine's frame."""
    cos, sin = math.cos(pose[2]), math.sin(pose[2])
    return (at - pose[:2]) @ np.array([[cos, -sin], [sin, cos]])


def out_of(pose: np.ndarray, at: np.ndarray) -> np.ndarray:
    """Points (n, 2) of the machine's frame in the world."""
    cos, sin = math.cos(pose[2]), math.sin(pose[2])
    return at @ np.array([[cos, sin], [-sin, cos]]) + pose[:2]


def wheel_readings(rng: np.random.Generator, path: np.ndarray) -> list[Odometry]:
    """5 % off in scale (one sigma), a degree per metre in heading, and a slip now and then."""
    scale, turn = 1 + rng.normal(0, 0.05), rng.normal(0, math.radians(1)) / 1000
    reading = np.zeros(3)
    readings = [Odometry(0.0, 0.0, 0.0)]
    for before, now in pairwise(path):
        step = into(before, now[None, :2])[0] * scale
        if rng.random() < 0.05:
            step = step / (1 - rng.uniform(0.1, 0.4))
        reading[:2] = out_of(reading, step[None])[0]
        reading[2] += now[2] - before[2] + turn * math.hypot(*step)
        readings.append(Odometry(reading[0], reading[1], math.degrees(reading[2])))
    return readings


def image_motion(
    rng: np.random.Generator, before: np.ndarray, now: np.ndarray, scale: float
) -> Motion | str:
    """0.3 mm and 0.05 degrees off by chance; a frame in twenty tells nothing."""
    step = into(before, now[None, :2])[0]
    if rng.random() < 0.05 or abs(step[0]) > HALF_LONG_MM:
        return "the frames do not match"
    step = step * scale + rng.normal(0, 0.3, 2)
    turn = math.degrees(now[2] - before[2]) + rng.normal(0, 0.05)
    return Motion(step[0], step[1], turn, 0.3, 0.05, 0.01, 20, 25)


def logistic(x: float) -> float:
    return 1 / (1 + math.exp(-x))


def probabilities(rng: np.random.Generator, crop: bool) -> tuple[float, ...]:
    """CHEAL, DAUCS, STEME, any plant. One view of a crop in 30 takes it for a weed."""
    if crop and rng.random() > 1 / 30:
        weed, kept = rng.normal(-4, 1.5), rng.normal(1.5, 1.5)
    else:
        weed, kept = rng.normal(3.2, 1.2), rng.normal(-4.5, 1)
    return logistic(weed), logistic(kept), 0.01, 0.05


def seen(
    rng: np.random.Generator, it: Garden, pose: np.ndarray
) -> tuple[list[tuple[int, Sighting]], list[KeptClear]]:
    """What a frame shows, each sighting with the number of its plant."""
    here = into(pose, it.at)
    looks = here * (1 + it.relief)[:, None] + rng.normal(0, 2, here.shape)
    whole = (np.abs(looks[:, 0]) + it.radius < HALF_LONG_MM) & (
        np.abs(looks[:, 1]) + it.radius < HALF_WIDE_MM
    )
    found: list[tuple[int, Sighting]] = []
    clear = []
    for number in np.flatnonzero(whole & ~it.gone & (rng.random(len(whole)) > 0.1)).tolist():
        ps = probabilities(rng, bool(it.crop[number]))
        decision, species = RULE.weigh(ps)
        protected = species is not None and species != "CHEAL"
        radius = float(it.radius[number])
        at, sigma = looks[number], math.hypot(2, 0.05 * math.hypot(*here[number]))
        parts = [at]
        if rng.random() < 0.02:  # a gap parts its leaves
            away = np.array([0.6 * radius, 0])
            parts = [at - away, at + away]
        for x, y in parts:
            treat = decision.action is Action.TREAT
            sighting = Sighting(x, y, sigma, 3.0, radius / len(parts), ps, treat, protected)
            found.append((number, sighting))
        if protected:
            clear.append(KeptClear(at[0], at[1], radius, 3.0))
    return found, clear


def drive(seed: int, tally: Tally, how: str, care: Care = CARE) -> None:
    """Drive once; `how` is "both", "images" or "wheels"."""
    rng = np.random.default_rng([seed, 8])
    path = true_path(rng, 26)
    it = garden(rng, float(path[:, 0].max()) + 100)
    wheels = wheel_readings(rng, path)
    scale = 1 + rng.normal(0, 0.01)
    tool_x = float(rng.choice([0.0, -90.0, -250.0]))
    still_green = rng.random(len(it.at)) < 0.5
    now, last = DriveMap(), 0
    views = np.zeros(len(it.at), int)
    strikes = np.zeros(len(it.at), int)
    offered, harmed, dropped = set[int](), set[int](), 0
    for number, pose in enumerate(path):
        found, clear = seen(rng, it, pose)
        for plant in {plant for plant, _ in found}:
            views[plant] += 1
        harmed |= {plant for plant, s in found if s.treat and it.crop[plant]}
        motion: Motion | str = "no picture"
        if how != "wheels" and number:
            motion = image_motion(rng, path[last], pose, scale)
        frame = SeenFrame(
            taken_s=float(number),
            sightings=tuple(s for _, s in found),
            kept_clear=tuple(clear),
            motion=motion,
            odometry=None if how == "images" else wheels[number],
        )
        step = advance(now, frame, RULE, care)
        now, dropped = step.map, dropped + len(step.dropped)
        last = number if step.used else last
        ids = {offer.id: offer for offer in step.offers}
        for offer in step.offers:
            struck = _nearest(it, pose, offer)
            offered |= {struck}
            if offer.x_mm <= tool_x and offer.id in ids:
                _strike(it, pose, offer, struck, tally, harmed, strikes)
                now = treated(now, offer.id, care)
                ids = {o.id: o for o in _still(now, step.offers)}
                if struck >= 0 and not still_green[struck]:
                    it.gone[struck] = True
    weed = ~it.crop
    could = weed & (views >= 2)
    tally.weeds += int(weed.sum())
    tally.offerable += int(could.sum())
    tally.never_offered += sum(plant not in offered for plant in np.flatnonzero(could).tolist())
    tally.treated += int((strikes > 0).sum())
    tally.twice += int((strikes > 1).sum())
    tally.crops += int(it.crop.sum())
    tally.single_view_crops += len(harmed)
    tally.plants_seen += int((views > 0).sum())
    tally.plants_counted += dropped + len(now.plants)


def _still(now: DriveMap, offers: tuple[Offer, ...]) -> list[Offer]:
    approved = {plant.id for plant in now.plants if plant.state == "approved"}
    return [offer for offer in offers if offer.id in approved]


def _nearest(it: Garden, pose: np.ndarray, offer: Offer) -> int:
    """The plant that a strike there would hit; -1 for none."""
    at = out_of(pose, np.array([[offer.x_mm, offer.y_mm]]))[0]
    away = np.hypot(*(it.at - at).T)
    near = int(np.argmin(away - it.radius))
    return near if away[near] <= it.radius[near] + CARE.keep_out_mm else -1


def _strike(
    it: Garden,
    pose: np.ndarray,
    offer: Offer,
    struck: int,
    tally: Tally,
    harmed: set[int],
    strikes: np.ndarray,
) -> None:
    at = out_of(pose, np.array([[offer.x_mm, offer.y_mm]]))[0]
    away = np.hypot(*(it.at - at).T)
    tally.crops_in_reach += bool((away[it.crop] < it.radius[it.crop] + CARE.keep_out_mm).any())
    if struck < 0:
        tally.missed_strikes += 1
        return
    strikes[struck] += 1
    if it.crop[struck]:
        tally.crops_struck += 1
        tally.crops_struck_by_merging += struck not in harmed
    else:
        tally.off_mm.append(float(away[struck]))
        tally.sigmas_off.append(float(away[struck]) / offer.uncertainty_mm)
