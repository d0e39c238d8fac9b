"""The map of a drive, frame by frame: what is offered, what is left, and why."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from simulated_drives import CARE, RULE

from weedset.board.drives.advance import advance, anchored, offered, treated
from weedset.board.drives.drivemap import Advanced, DriveMap, Plant, SeenFrame, State
from weedset.board.drives.sightings import KeptClear, Sighting
from weedset.board.motion import Motion
from weedset.board.steps import Odometry, Pose

WEED, CROP, FAINT = (0.97, 0.01, 0.01, 0.05), (0.02, 0.9, 0.01, 0.05), (0.5, 0.01, 0.01, 0.05)
ANY = (0.01, 0.01, 0.01, 0.9)


def weed(x: float, y: float = 0.0, **more: object) -> Sighting:
    it = Sighting(x, y, 2.0, 3.0, 8.0, WEED, treat=True, protected=False)
    return replace(it, **more)  # type: ignore[arg-type]


def step_of(x: float, sigma: float = 0.3) -> Motion:
    return Motion(x, 0, 0, sigma, 0.02, 0.01, 20, 20)


def drive(
    *frames: Sequence[Sighting],
    by_mm: float = 60.0,
    clear: Sequence[Sequence[KeptClear]] = (),
    begin: DriveMap | None = None,
) -> list[Advanced]:
    """Frames a step apart, each with its sightings in the machine's frame."""
    now, done = begin or DriveMap(), []
    for number, found in enumerate(frames):
        kept = tuple(clear[number]) if number < len(clear) else ()
        motion = step_of(by_mm) if now.taken_s is not None else "none"
        later = (now.taken_s or 0) + 1
        frame = SeenFrame(later, tuple(found), kept, motion)
        done.append(advance(now, frame, RULE, CARE))
        now = done[-1].map
    return done


def only(now: DriveMap) -> Plant:
    (plant,) = now.plants
    return plant


def test_two_views_that_agree_make_an_offer_and_one_plant() -> None:
    one, two = drive([weed(100, 5)], [weed(41, 5)])
    assert one.offers == ()
    (offer,) = two.offers
    assert (offer.id, offer.species, offer.views) == (1, "CHEAL", 2)
    assert offer.x_mm == pytest.approx(40.5, abs=0.1)  # halfway, both being as sure
    assert (offer.drive_x_mm, offer.drive_y_mm) == pytest.approx((100.5, 5), abs=0.1)
    # Two views of 2 mm make sqrt(2); 1 % of 60 mm on the way and the camera's 3 mm come on top.
    assert offer.uncertainty_mm == pytest.approx(np.sqrt(1.5**2 + 3**2), abs=0.1)


def test_a_view_that_says_protected_wins_for_good() -> None:
    bad = weed(40, probabilities=CROP, treat=False, protected=True)
    done = drive([weed(100)], [bad], [weed(-20)], [weed(-80)], [weed(-140)])
    assert not any(it.offers for it in done)
    assert (only(done[-1].map).state, only(done[-1].map).views) == (State.LEFT, 5)


def test_an_offer_is_taken_back_once_a_view_says_protected() -> None:
    crop = weed(-20, probabilities=CROP, treat=False, protected=True)
    done = drive([weed(100)], [weed(40)], [crop])
    assert [len(it.offers) for it in done] == [0, 1, 0]


def test_votes_are_pooled_by_the_mean_of_log_odds() -> None:
    """Worked: log-odds of 0.97 and 0.5 are 3.476 and 0; their mean is that of 0.850 < 0.9."""
    faint = weed(-20, probabilities=FAINT, treat=False)
    done = drive([weed(100)], [weed(40, probabilities=FAINT, treat=False)], [weed(-20)])
    assert only(done[1].map).probability == pytest.approx(0.850, abs=0.001)
    assert only(done[2].map).probability == pytest.approx(0.910, abs=0.001)
    assert only(done[2].map).state is State.APPROVED
    again = drive([weed(100)], [weed(40)], [faint], [replace(faint, x_mm=-80)])
    assert [only(it.map).state for it in again][1:] == [State.APPROVED, State.APPROVED, State.SEEN]


def test_many_views_never_make_an_answer_surer_than_they_are() -> None:
    done = drive(*([weed(150 - 20 * n)] for n in range(14)), by_mm=20)
    assert only(done[-1].map).probability == pytest.approx(0.97)
    assert only(done[-1].map).random_mm2 == 1.5**2


def test_what_this_frame_does_not_say_is_not_approved_by_it() -> None:
    unsure = weed(-20, treat=False)
    done = drive([weed(100)], [weed(40, treat=False)], [unsure])
    assert not any(it.offers for it in done)


def test_looking_twice_from_one_place_is_one_view() -> None:
    done = drive([weed(100)], [weed(100)], [weed(100)], by_mm=0.2)
    assert [it.used for it in done] == [True, False, False]
    assert not any(it.offers for it in done)
    assert only(done[-1].map).views == 1
    crop = weed(100, probabilities=CROP, treat=False, protected=True)
    assert only(drive([weed(100)], [crop], by_mm=0.2)[-1].map).state is State.LEFT


def test_neighbours_stay_two_plants() -> None:
    """25 mm apart, 2 mm off by chance, seen eight times, one of them missed now and then."""
    rng = np.random.default_rng(3)
    frames = []
    for number in range(8):
        pair = [weed(200 - 40 * number + dx, dy) for dx, dy in ((0, 0), (25, 3))]
        pair = [
            replace(s, x_mm=s.x_mm + rng.normal(0, 2), y_mm=s.y_mm + rng.normal(0, 2)) for s in pair
        ]
        frames.append(pair[number % 4 == 2 :] if number else pair)
    done = drive(*frames, by_mm=40)
    assert [plant.id for plant in done[-1].map.plants] == [1, 2]
    for plant, x in zip(done[-1].map.plants, (200, 225), strict=True):
        assert plant.x_mm == pytest.approx(x, abs=3)


def test_what_was_treated_is_never_offered_again() -> None:
    done = drive([weed(100)], [weed(40)])
    now = treated(done[-1].map, 1, CARE)
    assert offered(now, CARE) == ((), None)
    more = drive([weed(-20)], [weed(-82)], [weed(-140)], begin=now)
    assert not any(it.offers for it in more)
    assert only(more[-1].map).state is State.TREATED
    with pytest.raises(KeyError):
        treated(now, 1, CARE)


def test_what_may_be_the_treated_plant_is_left() -> None:
    """New, 20 mm beside a treated plant which does not show any more: is it the same?"""
    now = treated(drive([weed(100)], [weed(40)])[-1].map, 1, CARE)
    more = drive([weed(0)], [weed(-60)], begin=now)
    assert not any(it.offers for it in more)
    assert "may be plant 1" in more[-1].map.plants[1].reason
    far = drive([weed(60, 60)], [weed(0, 60)], begin=now)
    assert len(far[-1].offers) == 1


def test_what_was_seen_beside_it_is_another() -> None:
    both = [[weed(100), weed(140)], [weed(40), weed(80)]]
    now = treated(drive(*both)[-1].map, 1, CARE)
    more = drive([weed(20)], [weed(-40)], begin=now)
    assert [offer.id for offer in more[-1].offers] == [2]


def test_parts_of_the_treated_plant_are_left() -> None:
    """Two patches of green whose edges are 4 mm apart may be leaves of one plant."""
    halves = [[weed(100), weed(120)], [weed(40), weed(60)]]
    done = drive(*halves)[-1]
    assert [offer.id for offer in done.offers] == [1, 2]
    now = treated(done.map, 1, CARE)
    assert offered(now, CARE)[0] == ()
    assert "close to plant 1" in now.plants[1].reason


@pytest.mark.parametrize(("away_mm", "count"), [(45.9, 0), (46.1, 1)])
def test_keep_out_holds_in_the_map(away_mm: float, count: int) -> None:
    """10 mm of reach, 30 mm of crop and twice 3 mm of doubt, seen in the first frame only."""
    crop = KeptClear(100, away_mm, 30, 3)
    begin = DriveMap()
    now = advance(begin, SeenFrame(1, (weed(100),), (crop,)), RULE, CARE).map
    still = replace(step_of(1.0, 0.0), sigma_deg=0.0, scale_share=0.0)
    done = advance(now, SeenFrame(2, (weed(99),), (), still), RULE, CARE)
    assert len(done.offers) == count


def test_keep_out_grows_with_the_way() -> None:
    crop = [[KeptClear(100, 52, 30, 3)]]
    done = drive([weed(100)], [weed(40)], clear=crop)
    assert len(done[-1].offers) == 1
    far = drive([], [], [], [], begin=done[-1].map, by_mm=200)  # twice 1 % of 860 mm
    assert far[-1].offers == ()


def test_an_uncertain_position_is_not_offered() -> None:
    done = drive([weed(100, bias_mm=None)], [weed(40, bias_mm=None)])
    assert done[-1].offers == ()
    assert "does not tell how far off" in str(done[-1].why_not)
    done = drive([weed(100, bias_mm=14.95)], [weed(40, bias_mm=14.95)])
    assert done[-1].offers == ()
    done = drive([weed(100, bias_mm=14.9)], [weed(40, bias_mm=14.9)])
    assert len(done[-1].offers) == 1


def test_a_number_that_is_none_is_left() -> None:
    odd = (float("nan"), 0.0, 0.0, 0.0)
    done = drive([weed(100, probabilities=odd, protected=True)], [weed(40)], [weed(-20)])
    assert only(done[-1].map).state is State.LEFT


# Bad input: nothing is offered, and the map stays as it is.


def ready() -> DriveMap:
    """A map with one plant on offer, at 2 s, odometry at 60 mm."""
    frames = [(1.0, weed(100), 0.0), (2.0, weed(40), 60.0)]
    now = DriveMap()
    for taken_s, it, x in frames:
        frame = SeenFrame(taken_s, (it,), odometry=Odometry(x, 0, 0))
        done = advance(now, frame, RULE, CARE)
        now = done.map
    assert len(done.offers) == 1
    return now


@pytest.mark.parametrize("taken_s", [2.0, 1.5, -3.0, float("nan")])
def test_frames_that_are_repeated_or_out_of_order(taken_s: float) -> None:
    frame = SeenFrame(taken_s, (weed(-20),), odometry=Odometry(120, 0, 0))
    done = advance(ready(), frame, RULE, CARE)
    assert (done.offers, done.used, done.map) == ((), False, ready())
    assert done.why_not == "not later than the frame before it"


def test_a_frame_that_may_not_be_acted_on() -> None:
    frame = SeenFrame(3.0, (weed(-20),), odometry=Odometry(120, 0, 0), fault="blurred")
    done = advance(ready(), frame, RULE, CARE)
    assert (done.offers, done.used, done.map, done.why_not) == ((), False, ready(), "blurred")


def test_a_gap_in_odometry_is_bridged_by_the_next_reading() -> None:
    gap = advance(ready(), SeenFrame(3.0, (weed(-20),), motion="dark"), RULE, CARE)
    assert gap.offers == ()
    assert gap.why_not == "cannot tell where this is: dark, and no odometry"
    frame = SeenFrame(4.0, (weed(-60),), odometry=Odometry(160, 0, 0))
    done = advance(gap.map, frame, RULE, CARE)
    assert only(done.map).id == 1
    assert done.map.pose.x_mm == pytest.approx(160)


@pytest.mark.parametrize("bad", [float("nan"), float("inf"), -float("inf")])
def test_odometry_that_is_no_number_is_none(bad: float) -> None:
    for at in (Odometry(bad, 0, 0), Odometry(120, bad, 0), Odometry(120, 0, bad)):
        done = advance(ready(), SeenFrame(3.0, (weed(-20),), odometry=at), RULE, CARE)
        assert (done.offers, done.used, done.map) == ((), False, ready())
        seen = SeenFrame(3.0, (weed(-20),), motion=step_of(60), odometry=at)
        assert len(advance(ready(), seen, RULE, CARE).offers) == 1


def test_odometry_that_jumps_sets_a_drive_adrift_until_pictures_match() -> None:
    jump = SeenFrame(3.0, (weed(-20),), odometry=Odometry(9000, 0, 0))
    done = advance(ready(), jump, RULE, CARE)
    assert (done.offers, done.used) == ((), False)
    assert "the odometry jumps by 8940 mm" in str(done.why_not)
    # Later the same jump would be slow enough: it does not count.
    late = SeenFrame(99.0, (weed(-20),), odometry=Odometry(9060, 0, 0))
    later = advance(done.map, late, RULE, CARE)
    assert (later.offers, later.used) == ((), False)
    match = replace(late, taken_s=100.0, motion=step_of(60))
    back = advance(later.map, match, RULE, CARE)
    assert back.used
    assert [offer.id for offer in back.offers] == [1]
    assert back.map.pose.x_mm == pytest.approx(120)


def test_wheels_alone_do_not_carry_a_plant_far() -> None:
    """Where no picture confirms the way, wheels may have slipped by half of it."""
    now = ready()
    for number in range(1, 4):
        x = 60 + 40.0 * number
        frame = SeenFrame(2.0 + number, (), odometry=Odometry(x, 0, 0))
        done = advance(now, frame, RULE, CARE)
        now = done.map
    assert done.offers == ()
    assert only(now).state is State.APPROVED


def test_plants_beyond_the_horizon_are_dropped_and_their_ground_is_closed() -> None:
    done = drive([weed(100)], [weed(40)])
    now = treated(done[-1].map, 1, CARE)
    ahead = drive(*([[]] * 25), begin=now, by_mm=100)
    assert [plant.id for it in ahead for plant in it.dropped] == [1]
    assert ahead[-1].map.plants == ()
    back = drive(
        *([[]] * 24), [weed(100)], [weed(160)], [weed(220)], begin=ahead[-1].map, by_mm=-100
    )
    assert not any(it.offers for it in back)
    assert "forgotten" in str(back[-1].why_not)
    # Going on over new ground is no such thing.
    on = drive([], [weed(140)], [weed(80)], begin=ahead[-1].map)
    assert len(on[-1].offers) == 1


def test_memory_is_bounded() -> None:
    now = DriveMap()
    for number in range(400):
        crop = tuple(KeptClear(50, y, 10, 3) for y in range(-100, 101, 50))
        found = tuple(weed(100, y) for y in range(-100, 101, 50))
        frame = SeenFrame(number, found, crop, step_of(60))
        now = advance(now, frame, RULE, CARE).map
        assert len(now.plants) <= 5 * (2 * 2000 / 60 + 2)
    assert len(now.obstacles) <= 5 * (2 * 2000 / 60 + 2)
    assert len(now.passed) <= 400 * 60 / 500 + 2


def test_more_to_keep_clear_of_than_can_be_held_offers_nothing() -> None:
    now = drive([weed(100)], [weed(40)])[-1].map
    crops = tuple(KeptClear(900 + 0.1 * number, 900, 0.01, 0) for number in range(4100))
    frame = SeenFrame(3.0, (weed(-20),), crops, step_of(60))
    done = advance(now, frame, RULE, CARE)
    assert done.offers == ()
    assert "keep clear" in str(done.why_not)
    assert len(done.map.obstacles) <= 4000


def test_an_offer_says_whether_it_was_seen_in_this_frame() -> None:
    done = drive([weed(100)], [weed(40)], [])
    assert [[offer.seen for offer in it.offers] for it in done] == [[], [True], [False]]


def test_a_restart_leaves_all_alone_until_someone_says_where_it_is() -> None:
    done = drive([weed(100)], [weed(40)])
    before = treated(done[-1].map, 1, CARE)
    restarted = DriveMap(plants=before.plants, next_id=2, adrift="nobody knows")
    lost = drive([weed(40)], [weed(-20)], begin=restarted)
    assert not any(it.offers for it in lost)
    assert lost[-1].why_not == "nobody knows"
    told = anchored(lost[-1].map, Pose(60, 0, 0), 10, 1)
    more = drive([weed(45), weed(140, 90)], [weed(-15), weed(80, 90)], begin=told)
    assert [offer.drive_y_mm for offer in more[-1].offers] == [pytest.approx(90)]
    assert more[-1].map.plants[0].state is State.TREATED
