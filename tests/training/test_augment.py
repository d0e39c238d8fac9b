import os

import numpy as np
from numpy.typing import NDArray

from training.augment import Augmenter


def tile(side: int = 32) -> NDArray[np.uint8]:
    return np.random.default_rng(0).integers(0, 256, (side, side, 3), np.uint8)


def drawn(augment: Augmenter, epoch: int) -> list[bytes]:
    """The same tile under several indices: equal results mean equal random draws."""
    return [augment(tile(), epoch, index).tobytes() for index in range(8)]


def test_tiles_and_epochs_draw_differently() -> None:
    augment = Augmenter(1)
    first, second = drawn(augment, 0), drawn(augment, 1)
    assert len(set(first)) >= 7
    assert not set(first) & set(second)


def test_what_was_drawn_before_changes_nothing() -> None:
    augment = Augmenter(1)
    first = drawn(augment, 0)
    assert drawn(augment, 0) == first
    assert [Augmenter(1)(tile(), 0, 5).tobytes()] == first[5:6]
    assert drawn(Augmenter(2), 0) != first


def test_tiles_keep_shape_and_kind_and_the_original_is_left_alone() -> None:
    original = tile(96)
    before = original.copy()
    augment = Augmenter(3)
    for index in range(50):
        changed = augment(original, 0, index)
        assert changed.shape == original.shape
        assert changed.dtype == np.uint8
    assert np.array_equal(original, before)


def test_changes_come_independently() -> None:
    # Seeded alike, all changes that share a probability would come together or not at all:
    # each would draw the same first number.
    augment = Augmenter(5)
    augment(tile(), 0, 0)
    draws = [change.py_random.random() for change in augment._compose.transforms]
    assert len(set(draws)) == len(draws)


def test_the_library_is_told_not_to_look_for_updates() -> None:
    assert os.environ["NO_ALBUMENTATIONS_UPDATE"] == "1"
