"""Whatever comes in, a map stays a map: ids are unique and nothing treated is offered."""

from __future__ import annotations

import math

from hypothesis import given, settings
from hypothesis import strategies as st
from simulated_drives import CARE, RULE

from weedset.board.drives.advance import advance, treated
from weedset.board.drives.drivemap import DriveMap, SeenFrame, State
from weedset.board.drives.sightings import KeptClear, Sighting
from weedset.board.motion import Motion
from weedset.board.steps import Odometry

far = st.floats(-1e7, 1e7)
near = st.floats(-300, 300)
share = st.one_of(st.floats(0, 1), st.just(math.nan), st.sampled_from([1.0, 0.0]))
sighting = st.builds(
    Sighting,
    x_mm=near,
    y_mm=near,
    sigma_mm=st.floats(0.1, 50),
    bias_mm=st.one_of(st.none(), st.floats(0, 40)),
    radius_mm=st.floats(0, 60),
    probabilities=st.one_of(
        st.just((0.97, 0.01, 0.01, 0.05)), st.tuples(share, share, share, share)
    ),
    treat=st.booleans(),
    protected=st.booleans(),
)
motion = st.builds(
    Motion,
    forward_mm=near,
    left_mm=near,
    turn_deg=st.floats(-5, 5),
    sigma_mm=st.floats(0.01, 5),
    sigma_deg=st.floats(0.001, 1),
    scale_share=st.floats(0, 0.1),
    blocks=st.just(20),
    of_blocks=st.just(20),
)
number = st.one_of(far, st.just(math.nan), st.just(math.inf))
frame = st.builds(
    SeenFrame,
    taken_s=st.one_of(st.floats(0, 100), st.just(math.nan)),
    sightings=st.lists(sighting, max_size=6).map(tuple),
    kept_clear=st.lists(
        st.builds(KeptClear, near, near, st.floats(0, 60), st.floats(0, 60)), max_size=3
    ).map(tuple),
    motion=st.one_of(st.just("no match"), motion),
    odometry=st.one_of(st.none(), st.builds(Odometry, number, number, number)),
    fault=st.one_of(st.none(), st.none(), st.just("blurred")),
)


@settings(max_examples=150, deadline=None)
@given(st.lists(frame, max_size=12))
def test_invariants(frames: list[SeenFrame]) -> None:
    now, taken = DriveMap(), set[int]()
    for it in frames:
        done = advance(now, it, RULE, CARE)
        now = done.map
        ids = [plant.id for plant in now.plants]
        assert len(ids) == len(set(ids))
        assert all(plant.id < now.next_id for plant in now.plants)
        assert all(math.isfinite(plant.x_mm) and plant.random_mm2 >= 0 for plant in now.plants)
        if it.fault or (not done.used and done.why_not):
            assert done.offers == ()
        for offer in done.offers:
            assert offer.id not in taken
            assert offer.uncertainty_mm <= CARE.most_off_mm
            (plant,) = (plant for plant in now.plants if plant.id == offer.id)
            assert plant.state is State.APPROVED
            assert plant.agreeing >= CARE.least_views
        if done.offers:
            taken.add(done.offers[0].id)
            now = treated(now, done.offers[0].id, CARE)
