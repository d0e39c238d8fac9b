"""Steps of a machine, their errors, and what two measures say together: worked examples."""

from __future__ import annotations

import math

import numpy as np
import pytest

from weedset.board.motion import Motion
from weedset.board.steps import (
    Drift,
    Odometry,
    Pose,
    Step,
    fused,
    image_step,
    in_drive,
    in_machine,
    moved,
    odometry_step,
    variances_mm2,
)


def step(forward: float, variance: float, turn: float = 0.0, turn_rad2: float = 1.0) -> Step:
    return Step(forward, 0.0, turn, Drift(random_mm2=variance, random_rad2=turn_rad2))


def test_two_measures_are_weighted_by_one_over_variance() -> None:
    """Textbook: variances 1 and 4 make weights 0.8 and 0.2, and a variance of 0.8."""
    both = fused(step(100, 4, 0.1, 3.0), step(102, 1, 0.2, 1.0))
    assert both.forward_mm == pytest.approx(0.2 * 100 + 0.8 * 102)
    assert both.drift.random_mm2 == pytest.approx(0.8)
    assert both.turn_rad == pytest.approx(0.25 * 0.1 + 0.75 * 0.2)
    assert both.drift.random_rad2 == pytest.approx(0.75)


def test_where_wheels_slipped_pictures_count() -> None:
    both = fused(step(100, 9), step(60, 1))
    assert (both.forward_mm, both.drift.random_mm2) == (60, 1)


@pytest.mark.parametrize("seen_mm", [0.0, 10.0, 200.0, -100.0])
def test_a_picture_that_misleads_makes_the_step_as_uncertain_as_both_are_apart(
    seen_mm: float,
) -> None:
    """Dirt on the lens stands still; a pattern that repeats matches one too far."""
    both = fused(step(100, 9), step(seen_mm, 1))
    assert both.drift.random_mm2 == pytest.approx(1 + (100 - seen_mm) ** 2)


def test_odometry_is_off_by_its_share_of_the_way() -> None:
    """5 % of 1000 mm are 50 mm, whether in one step or in ten; a quarter turn to the left."""
    before, now = Odometry(10, 20, 90), Odometry(10, 1020, 180)
    one = odometry_step(before, now, 0.05, 2.0, 0.5)
    assert (one.forward_mm, one.left_mm) == pytest.approx((1000, 0))
    assert one.turn_rad == pytest.approx(math.pi / 2)
    ten = Drift()
    for number in range(10):
        part = Odometry(10, 20 + 100 * number, 90), Odometry(10, 120 + 100 * number, 90)
        ten = ten + odometry_step(*part, 0.05, 2.0, 0.5).drift
    assert one.drift.linear_mm == pytest.approx(50) == ten.linear_mm
    assert ten.slip_mm == pytest.approx(500)
    assert ten.linear_rad == pytest.approx(math.radians(2))
    # 50 mm along, and 2 degrees plus ten times 0.1 by chance over 1000 mm across.
    (off_mm2,) = variances_mm2([Drift()], ten, np.zeros((1, 2)), Pose(1000, 0))
    across = 1000 * (math.radians(2) + math.radians(0.1) * math.sqrt(10))
    assert off_mm2 == pytest.approx(50**2 + 10 * 0.5**2 + across**2)


def test_headings_that_wrap_round_are_small_turns() -> None:
    turned = odometry_step(Odometry(0, 0, 359), Odometry(0, 0, 361.5), 0.05, 2, 0.5)
    assert math.degrees(turned.turn_rad) == pytest.approx(2.5)
    turned = odometry_step(Odometry(0, 0, -179), Odometry(0, 0, 179), 0.05, 2, 0.5)
    assert math.degrees(turned.turn_rad) == pytest.approx(-2)


def test_poses_there_and_back() -> None:
    """Forward 100, a quarter turn left, forward 50: 50 mm to the left of where it began."""
    pose = moved(Pose(), Step(100, 0, math.pi / 2, Drift()))
    pose = moved(pose, Step(50, 0, 0, Drift()))
    assert (pose.x_mm, pose.y_mm) == pytest.approx((100, 50))
    assert in_drive(pose, 10, 0) == pytest.approx((100, 60))
    assert in_machine(pose, *in_drive(pose, 7, -3)) == pytest.approx((7, -3))


def test_a_scale_that_is_off_adds_up_as_it_is() -> None:
    one = image_step(Motion(300, 400, 0, 0.2, 0.05, 0.02, 20, 20)).drift
    assert one.linear_mm == pytest.approx(10)
    assert (one + one).linear_mm == pytest.approx(20)
    assert (one + one).random_mm2 == pytest.approx(2 * 0.2**2)
    assert one.slip_mm == 0
