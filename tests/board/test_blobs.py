from __future__ import annotations

import cv2
import numpy as np
import pytest

from weedset.board.drives.blobs import find_blobs


@pytest.mark.parametrize("seed", range(40))
def test_patches_are_those_of_opencv(seed: int) -> None:
    """Reference: cv2.connectedComponentsWithStats, 8-connected."""
    rng = np.random.default_rng(seed)
    shape = (int(rng.integers(1, 70)), int(rng.integers(1, 70)))
    green = rng.random(shape) < rng.uniform(0, 0.7)
    found = find_blobs(green, bridge_px=0)
    count, label, stats, middle = cv2.connectedComponentsWithStats(
        green.astype(np.uint8), connectivity=8
    )
    assert len(found.area) == count - 1
    assert ((found.label >= 0) == green).all()
    for number in range(count - 1):
        here = found.label == number
        (theirs,) = set(label[here].tolist())
        assert found.area[number] == stats[theirs, cv2.CC_STAT_AREA]
        np.testing.assert_allclose(found.middle[number], middle[theirs][::-1])
        far = np.hypot(*(np.argwhere(here) - found.middle[number]).T).max()
        assert found.reach[number] == pytest.approx(far)


@pytest.mark.parametrize(("gap_px", "count"), [(1, 1), (6, 1), (7, 2)])
def test_gaps_up_to_twice_the_bridge_do_not_part_a_plant(gap_px: int, count: int) -> None:
    green = np.zeros((9, 30), bool)
    green[3:6, 4:8] = green[3:6, 8 + gap_px : 12 + gap_px] = True
    found = find_blobs(green, bridge_px=3)
    assert len(found.area) == count
    assert found.area.sum() == green.sum()  # the bridge is not part of the plant


def test_no_green_no_patches() -> None:
    found = find_blobs(np.zeros((5, 7), bool))
    assert len(found.area) == len(found.middle) == len(found.reach) == 0
