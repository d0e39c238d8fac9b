"""Calibration against torchmetrics, scikit-learn and what was drawn."""

import numpy as np
import pytest
import torch
from sklearn.calibration import CalibratedClassifierCV, calibration_curve
from sklearn.frozen import FrozenEstimator
from sklearn.linear_model import LogisticRegression
from torchmetrics.functional.classification import binary_calibration_error

from training.calibration import fit_temperature, reliability


def sigmoid(scores: np.ndarray) -> np.ndarray:
    return 1 / (1 + np.exp(-scores))


def test_the_error_is_that_of_torchmetrics_manual() -> None:
    # Docstring of torchmetrics' BinaryCalibrationError: 2 bins, l1 norm, 0.2900.
    p = np.array([0.25, 0.25, 0.55, 0.75, 0.75, 0.99], np.float32)
    found = reliability(np.array([0, 0, 1, 1, 1, -1], np.int8), p, bins=2)
    assert found is not None
    assert found.error == pytest.approx(0.29, abs=1e-6)
    assert [item.cells for item in found.bins] == [2, 3]
    assert found.cells == 5


@pytest.mark.parametrize("seed", range(4))
def test_curve_and_error_are_those_of_the_libraries(seed: int) -> None:
    rng = np.random.default_rng(seed)
    p = rng.beta(0.6, 1.2, 700).astype(np.float32)
    truth = (rng.uniform(size=700) < p**2).astype(np.int8)
    found = reliability(truth, p)
    assert found is not None
    true, said = calibration_curve(truth, p, n_bins=10)
    assert [item.share_present for item in found.bins] == pytest.approx(list(true))
    assert [item.mean_probability for item in found.bins] == pytest.approx(list(said))
    expected = binary_calibration_error(
        torch.from_numpy(p), torch.from_numpy(truth.astype(int)), n_bins=10, norm="l1"
    )
    assert found.error == pytest.approx(float(expected), abs=1e-6)


def test_of_nothing_known_there_is_no_curve() -> None:
    assert reliability(np.array([-1, -1], np.int8), np.zeros(2, np.float32)) is None


@pytest.mark.parametrize("true_temperature", [0.5, 1.0, 2.5])
def test_a_temperature_that_was_drawn_is_found_again(true_temperature: float) -> None:
    rng = np.random.default_rng(0)
    scores = rng.normal(0, 2, (4000, 5))
    targets = (rng.uniform(size=scores.shape) < sigmoid(scores)).astype(np.int8)
    targets[rng.uniform(size=scores.shape) < 0.2] = -1
    too_sure = sigmoid(scores * true_temperature).astype(np.float32)
    assert fit_temperature(targets, too_sure) == pytest.approx(true_temperature, rel=0.03)


def test_the_scaled_probabilities_are_scikit_learns() -> None:
    """CalibratedClassifierCV(method="temperature") on a classifier three times too sure.

    Its `beta_` is 1 / T for a pair of scores -x and x, so that probabilities are compared.
    """
    rng = np.random.default_rng(3)
    x = rng.normal(0, 1, (3000, 1))
    y = (rng.uniform(size=3000) < sigmoid(1.5 * x[:, 0])).astype(int)
    model = LogisticRegression(C=1e6).fit(x, y)
    model.coef_, model.intercept_ = model.coef_ * 3, model.intercept_ * 3
    scaled = CalibratedClassifierCV(FrozenEstimator(model), method="temperature").fit(x, y)
    p = model.predict_proba(x)[:, 1:].astype(np.float32)
    temperature = fit_temperature(y[:, None].astype(np.int8), p)
    assert temperature == pytest.approx(3, rel=0.01)
    found = sigmoid(model.decision_function(x) / temperature)
    assert found == pytest.approx(scaled.predict_proba(x)[:, 1], abs=2e-3)


def test_cells_told_apart_with_ease_do_not_make_a_model_certain() -> None:
    targets = np.array([[1]] * 20 + [[0]] * 20, np.int8)
    p = np.array([[0.9]] * 20 + [[0.1]] * 20, np.float32)
    temperature = fit_temperature(targets, p)
    # By Platt's targets the best probability is (20 + 1) / (20 + 2), by hand.
    assert sigmoid(np.log(9) / temperature) == pytest.approx(21 / 22, abs=1e-3)


def test_of_nothing_known_the_temperature_is_one() -> None:
    assert fit_temperature(np.full((3, 2), -1, np.int8), np.zeros((3, 2), np.float32)) == 1.0


def test_certain_answers_do_not_break_the_fit() -> None:
    targets = np.array([[1], [0], [0], [1]], np.int8)
    p = np.array([[1.0], [0.0], [1.0], [0.0]], np.float32)
    assert 1 < fit_temperature(targets, p) <= 20.01
