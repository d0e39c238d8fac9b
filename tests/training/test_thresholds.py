"""Thresholds: chosen as scikit-learn's scores would, and never laxer than what was promised."""

import numpy as np
import pytest
from drawn_scores import drawn
from scipy.special import expit, logit
from sklearn.metrics import f1_score, precision_score, recall_score

from training.thresholds import at_temperature, class_card, class_cards
from weedset.modelcard import ClassCard


@pytest.mark.parametrize("seed", range(6))
def test_thresholds_keep_what_the_card_promises(seed: int) -> None:
    targets, probabilities = drawn(seed, n=120, apart=2.5)
    known = targets >= 0
    truth, scores = targets[known] == 1, probabilities[known]
    card = class_card("CHEAL", targets, probabilities)

    # Brute force over every threshold that gives other calls.
    candidates = np.unique(scores)
    best = max(f1_score(truth, scores >= threshold) for threshold in candidates)
    assert f1_score(truth, scores >= card.present_at) == pytest.approx(best)

    # Largest on the grid of thresholds that differ; the next higher catches too few.
    caught = [t for t in candidates if recall_score(truth, scores >= t) >= 0.98]
    assert recall_score(truth, scores >= card.doubt_at) >= 0.98
    assert card.doubt_at <= min(max(caught), card.present_at, 0.3)

    safe = [
        threshold
        for threshold in candidates
        if threshold >= max(card.present_at, 0.5)
        and (scores >= threshold).sum() >= 10
        and precision_score(truth, scores >= threshold) >= 0.95
    ]
    assert card.treat_at == (min(safe) if safe else None)


def test_thresholds_of_classes_that_are_told_with_ease_lie_midway_and_on_the_safe_side() -> None:
    # Hand arithmetic: plants at 0.9, all else at 0.1, so that F1 is 1 from 0.1 to 0.9.
    targets = np.array([1] * 20 + [0] * 20 + [-1], np.int8)
    probabilities = np.array([0.9] * 20 + [0.1] * 20 + [0.7], np.float32)
    card = class_card("CHEAL", targets, probabilities)
    assert card.present_at == pytest.approx(0.5)
    assert card.doubt_at == pytest.approx(0.3)
    assert card.treat_at == pytest.approx(0.9)


def test_good_thresholds_stand_in_order() -> None:
    card = class_card("CHEAL", *drawn(3, apart=3))
    assert card.treat_at is not None
    assert card.doubt_at <= card.present_at <= card.treat_at


def test_few_right_calls_are_no_leave_to_treat() -> None:
    targets = np.array([1] * 9 + [0] * 50, np.int8)
    probabilities = np.array([0.9] * 9 + [0.1] * 50, np.float32)
    assert class_card("CHEAL", targets, probabilities).treat_at is None
    targets[9], probabilities[9] = 1, 0.9
    assert class_card("CHEAL", targets, probabilities).treat_at == pytest.approx(0.9)


def test_a_species_that_no_validation_tile_shows_is_never_treated() -> None:
    card = class_card("CHEAL", np.array([0, 0, -1], np.int8), np.zeros(3, np.float32))
    assert card.treat_at is None
    assert card.doubt_at < card.present_at


def test_a_species_that_is_told_badly_does_not_forbid_everything() -> None:
    # All at 0.02 or below: each plant is caught at 0.01 only, where all else is as well.
    rng = np.random.default_rng(0)
    probabilities = rng.uniform(0, 0.02, 200).astype(np.float32)
    targets = rng.choice(np.array([0, 1], np.int8), 200, p=(0.9, 0.1))
    card = class_card("CHEAL", targets, probabilities)
    assert card.treat_at is None
    assert (card.present_at, card.doubt_at) == (0.1, 0.1)


def table(*columns: tuple[np.ndarray, np.ndarray]) -> tuple[np.ndarray, np.ndarray]:
    targets, found = (np.stack(parts, axis=1) for parts in zip(*columns, strict=True))
    return targets, found


@pytest.mark.parametrize("seed", range(4))
def test_promised_thresholds_get_stricter_alone(seed: int) -> None:
    targets, found = table(drawn(seed, 200, 3), drawn(seed + 50, 200, 3), drawn(seed + 90, 200, 3))
    free = class_cards(("a", "b", "c"), targets, found)
    promised = (ClassCard("a", 0.97, 0.5, 0.05), ClassCard("b", 0.51, 0.5, 0.3))
    held = class_cards(("a", "b", "c"), targets, found, promised)
    for card, old, new in zip(held, promised, free, strict=False):
        assert new.treat_at is not None
        assert old.treat_at is not None
        assert card.treat_at == max(old.treat_at, new.treat_at)
        assert card.doubt_at == min(old.doubt_at, new.doubt_at)
        assert card.present_at == new.present_at
    assert held[2] == free[2]  # nothing was promised of it


def test_what_was_never_treated_stays_so_and_what_no_tile_shows_stays_as_it_was() -> None:
    targets, found = table(drawn(3, apart=3), drawn(4, apart=3))
    targets[:, 1] = np.minimum(targets[:, 1], 0)
    never, shown_nowhere = ClassCard("a", None, 0.5, 0.3), ClassCard("b", 0.8, 0.6, 0.2)
    assert class_card("a", targets[:, 0], found[:, 0]).treat_at is not None
    held = class_cards(("a", "b"), targets, found, (never, shown_nowhere))
    assert held[0].treat_at is None
    assert held[1] == shown_nowhere


@pytest.mark.parametrize("temperature", [0.5, 1.0, 3.2])
def test_at_another_temperature_the_same_cells_are_called(temperature: float) -> None:
    # Reference: scipy's logistic function and its inverse.
    card = ClassCard("a", 0.91, 0.4, 0.07)
    moved = at_temperature(card, temperature)
    for before, after in (
        (card.treat_at, moved.treat_at),
        (card.present_at, moved.present_at),
        (card.doubt_at, moved.doubt_at),
    ):
        assert after == pytest.approx(float(expit(logit(before) / temperature)), abs=1e-6)
    assert at_temperature(ClassCard("a", None, 0.5, 0.1), temperature).treat_at is None
