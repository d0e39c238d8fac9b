"""Which plant of a frame is which of the map, and what its views say together.

What is paired is averaged as a Kalman filter does (Kalman 1960, J. Basic Eng. 82: 35-45), for
a plant that stands still. Probabilities of several views are pooled by the mean of their
log-odds (the logarithmic opinion pool: Genest & Zidek 1986, Statistical Science 1: 114-135), as
if all views were one: neighbouring views err alike, so more of them make an answer steadier,
but never surer than they are themselves. What one view says must not be hurt is left for good.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from weedset.board.decide import Rule
from weedset.board.drives.drivemap import (
    Care,
    DriveMap,
    Plant,
    SeenFrame,
    State,
    drifted_mm2,
    one_plant_mm,
    places_mm,
    slip_mm,
)
from weedset.board.drives.sightings import Sighting
from weedset.board.steps import in_drive
from weedset.lens import Floats
from weedset.records import Action

#: No position is believed better than this, however often it was seen: a plant's middle as a
#: picture shows it is not where it grows.
_FLOOR_MM2 = 1.5**2

#: One view alone may not be surer than this.
_SUREST = 0.999

#: Beyond so many plants none is added: what is not in the map is never offered.
_MOST_HELD = 4000


def paired_up(now: DriveMap, frame: SeenFrame, rule: Rule, care: Care, fresh: bool) -> DriveMap:
    """Return the map with a frame's plants merged into it, the machine standing at its pose.

    A frame that is not `fresh`, from where the last one was taken, adds no vote to treat.
    """
    seen = [
        replace(it, x_mm=x_mm, y_mm=y_mm)
        for it in frame.sightings
        for x_mm, y_mm in [in_drive(now.pose, it.x_mm, it.y_mm)]
    ]
    plants = list(now.plants)
    at = np.array([(it.x_mm, it.y_mm) for it in seen]).reshape(-1, 2)
    apart = places_mm(plants)[:, None, :] - at
    apart_mm = np.hypot(apart[..., 0], apart[..., 1])
    placed_mm2 = drifted_mm2(plants, now) + np.array([it.random_mm2 for it in plants])
    seen_mm2 = np.array([it.sigma_mm**2 for it in seen])
    gate_mm = care.gate_sigmas * np.sqrt(placed_mm2[:, None] + seen_mm2)
    pairs = _pairs(apart_mm, gate_mm)
    doubts = _doubts(plants, seen, now, pairs, apart_mm, gate_mm, care)
    next_id = now.next_id
    for index, it in enumerate(seen):
        old = pairs.get(index)
        if old is not None:
            plant = _seen_again(plants[old], it, float(placed_mm2[old]), now, frame.taken_s)
        elif len(plants) < _MOST_HELD:
            plant, old = _new(it, next_id, now, frame.taken_s), len(plants)
            plants.append(plant)
            next_id += 1
        else:
            continue
        plants[old] = _judged(_voted(plant, it, fresh), it, doubts.get(index), rule, care)
    return replace(now, plants=tuple(plants), next_id=next_id)


def _pairs(apart_mm: Floats, gate_mm: Floats) -> dict[int, int]:
    """Return sighting to plant, one to one, the nearest within the gate first."""
    near = np.argwhere(apart_mm <= gate_mm)
    order = np.argsort(apart_mm[near[:, 0], near[:, 1]], kind="stable")
    pairs: dict[int, int] = {}
    taken: set[int] = set()
    for plant, sighting in near[order].tolist():
        if sighting not in pairs and plant not in taken:
            pairs[sighting] = plant
            taken.add(plant)
    return pairs


def _doubts(
    plants: list[Plant],
    seen: list[Sighting],
    now: DriveMap,
    pairs: dict[int, int],
    apart_mm: Floats,
    gate_mm: Floats,
    care: Care,
) -> dict[int, str]:
    """Return why a sighting may be a treated plant, though it is paired with none.

    It is so close to one that it may be a part of it; or near enough to be it, and neither was
    its own plant once seen beside it nor are both seen now. Where the wheels may have slipped
    unseen, what was seen does not count.
    """
    doubts = {}
    paired = set(pairs.values())
    for number, it in enumerate(plants):
        if it.state is not State.TREATED:
            continue
        slipped_mm = slip_mm(it, now)
        close_mm = np.array([one_plant_mm(s.radius_mm, it.radius_mm, care) for s in seen])
        near_mm = close_mm + gate_mm[number] + slipped_mm
        for index in np.flatnonzero(apart_mm[number] <= near_mm).tolist():
            own = pairs.get(index)
            if own == number:
                continue
            beside = own is not None and (number in paired or it.id in plants[own].apart_from)
            if slipped_mm or not beside or apart_mm[number, index] <= close_mm[index]:
                doubts[index] = f"may be plant {it.id}, which was treated"
    return doubts


def _new(it: Sighting, number: int, now: DriveMap, seen_s: float) -> Plant:
    return Plant(
        id=number,
        x_mm=it.x_mm,
        y_mm=it.y_mm,
        random_mm2=it.sigma_mm**2,
        bias_mm=it.bias_mm,
        radius_mm=it.radius_mm,
        placed=now.drift,
        seen_s=seen_s,
    )


def _seen_again(
    plant: Plant, it: Sighting, placed_mm2: float, now: DriveMap, seen_s: float
) -> Plant:
    gain = placed_mm2 / (placed_mm2 + it.sigma_mm**2)
    return replace(
        plant,
        x_mm=plant.x_mm + gain * (it.x_mm - plant.x_mm),
        y_mm=plant.y_mm + gain * (it.y_mm - plant.y_mm),
        random_mm2=max(_FLOOR_MM2, (1 - gain) * placed_mm2),
        bias_mm=it.bias_mm,
        radius_mm=max(plant.radius_mm, it.radius_mm),
        placed=now.drift,
        seen_s=seen_s,
    )


def _voted(plant: Plant, it: Sighting, fresh: bool) -> Plant:
    if not fresh and plant.views:
        return plant
    odds = np.clip(it.probabilities, 1 - _SUREST, _SUREST)
    log_odds = np.log(odds / (1 - odds))
    if plant.views:
        log_odds = log_odds + plant.log_odds
    return replace(
        plant,
        log_odds=tuple(log_odds.tolist()),
        views=plant.views + 1,
        agreeing=plant.agreeing + it.treat,
    )


def _judged(plant: Plant, it: Sighting, doubt: str | None, rule: Rule, care: Care) -> Plant:
    """Return a plant with its state after a view; what is treated or left stays so."""
    if plant.state in (State.TREATED, State.LEFT):
        return plant
    if it.protected:
        reason = "holds, or touches, what must not be hurt"
        return replace(plant, state=State.LEFT, reason=reason)
    if doubt:
        return replace(plant, state=State.LEFT, reason=doubt)
    pooled = _probabilities(np.array(plant.log_odds) / plant.views)
    decision, species = rule.weigh(pooled.tolist())
    agreed = plant.agreeing >= care.least_views and (it.treat or plant.state is State.APPROVED)
    state = State.APPROVED if agreed and decision.action is Action.TREAT else State.SEEN
    return replace(
        plant,
        state=state,
        reason=f"{decision.reason}, {plant.agreeing} of {plant.views} views say treat",
        species=species,
        probability=None if species is None else float(pooled[rule.codes.index(species)]),
    )


def _probabilities(log_odds: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(1 / (1 + np.exp(-log_odds)))
