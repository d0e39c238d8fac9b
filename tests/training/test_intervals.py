"""Intervals by drawing sites anew, against scikit-learn, scipy and hand arithmetic."""

import numpy as np
import pytest
from scipy.stats import bootstrap
from sklearn.metrics import average_precision_score

from training.evaluation.intervals import Resampling, weighted_average_precision


def names(prefix: str, count: int, each: int) -> np.ndarray:
    return np.repeat([f"{prefix}{i}" for i in range(count)], each)


@pytest.mark.parametrize("seed", range(4))
def test_weighted_average_precision_is_scikit_learns(seed: int) -> None:
    rng = np.random.default_rng(seed)
    truth = rng.uniform(size=80) < 0.3
    scores = rng.uniform(size=80).round(1)  # with ties
    weights = rng.integers(0, 4, (6, 80)).astype(float)
    expected = [average_precision_score(truth, scores, sample_weight=row) for row in weights]
    assert weighted_average_precision(truth, scores, weights) == pytest.approx(expected)


def test_a_draw_without_a_presence_has_no_average_precision() -> None:
    truth, scores = np.array([True, False]), np.array([0.9, 0.1])
    weights = np.array([[0.0, 2.0], [1.0, 1.0]])
    found = weighted_average_precision(truth, scores, weights)
    assert np.isnan(found[0])
    assert found[1] == 1


def test_whole_sites_are_drawn_as_scipy_draws_them() -> None:
    """scipy.stats.bootstrap over the means of 40 equal sites, percentile method."""
    rng = np.random.default_rng(5)
    means = rng.beta(2, 6, 40)
    hits = (rng.uniform(size=(40, 100)) < means[:, None]).ravel()
    site = names("s", 40, 100)
    found = Resampling(site, site).ratio(hits, np.ones_like(hits))
    assert found is not None
    by_site = hits.reshape(40, 100).mean(1)
    expected = bootstrap(
        (by_site,), np.mean, n_resamples=9999, method="percentile", rng=np.random.default_rng(0)
    ).confidence_interval
    assert (found.low, found.high) == pytest.approx(
        (expected.low, expected.high), abs=0.1 * (expected.high - expected.low)
    )
    # By cells it comes out far too narrow: the design effect of the handbooks.
    cells = np.arange(4000).astype(str)
    narrow = Resampling(cells, cells).ratio(hits, np.ones_like(hits))
    assert narrow is not None
    assert found.high - found.low > 2 * (narrow.high - narrow.low)


def test_the_interval_holds_the_truth_about_as_often_as_it_says() -> None:
    """Drawn worlds with known means: 95 % intervals of 40 sites, and 5 sites for contrast."""
    rng = np.random.default_rng(6)
    held = {}
    for sites in (5, 40):
        site = names("s", sites, 20)
        inside = 0
        for _ in range(300):
            means = rng.beta(2, 6, sites)
            hits = rng.uniform(size=(sites, 20)) < means[:, None]
            found = Resampling(site, site).ratio(hits.ravel(), np.ones(20 * sites))
            inside += found is not None and found.low <= 0.25 <= found.high
        held[sites] = inside / 300
    print(f"held the truth: {held}")
    assert held[40] >= 0.90
    assert held[5] < held[40]  # too narrow, as `caution` says


def test_one_site_is_drawn_by_photo_and_says_that_it_flatters() -> None:
    site, photo = names("s", 1, 40), names("p", 4, 10)
    one = Resampling(site, photo)
    assert one.unit == "photo"
    assert "FLATTER" in str(one.caution)
    hits = np.arange(40) % 7 == 0
    assert one.ratio(hits, np.ones(40)) is not None


def test_one_photo_has_no_intervals() -> None:
    site = names("s", 1, 10)
    one = Resampling(site, site)
    assert one.unit is None
    assert one.ratio(np.arange(10), np.ones(10)) is None
    assert one.average_precision(np.ones(10, bool), np.arange(10.0), np.ones(10, bool)) is None
    assert "one photo" in str(one.caution)


def test_few_sites_are_said_to_be_few() -> None:
    two, few, many = names("s", 2, 2), names("s", 8, 2), names("s", 25, 2)
    assert "next to nothing" in str(Resampling(two, two).caution)
    assert "too narrow" in str(Resampling(few, few).caution)
    assert Resampling(many, many).caution is None


def test_what_never_varies_has_no_interval_and_the_same_cells_give_the_same() -> None:
    site = names("s", 10, 3)
    drawn = Resampling(site, site)
    assert drawn.ratio(np.zeros(30), np.ones(30)) is None
    assert drawn.ratio(np.zeros(30), np.zeros(30)) is None
    rng = np.random.default_rng(0)
    truth, scores = rng.uniform(size=30) < 0.5, rng.uniform(size=30)
    known = rng.uniform(size=30) < 0.8
    found = drawn.average_precision(truth, scores, known)
    assert found is not None
    assert found.low <= average_precision_score(truth[known], scores[known]) <= found.high
    assert found == Resampling(site, site).average_precision(truth, scores, known)
    assert found != drawn.average_precision(truth, scores, np.ones(30, bool))
