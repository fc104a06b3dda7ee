"""Weighted draws against scikit-learn with weights, rows really repeated, and scipy's bootstrap."""

import numpy as np
import pytest
from scipy.stats import binomtest, bootstrap
from sklearn.metrics import average_precision_score as sklearn_average_precision

from training import draws, metrics
from training.draws import Draws


@pytest.fixture
def answers() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """240 frames in 60 groups, a quarter positive; scores overlap and repeat (one decimal)."""
    rng = np.random.default_rng(4)
    truth = rng.random(240) < 0.25
    return truth, np.round(rng.normal(truth * 1.2, 1.0), 1), np.arange(240) // 4


@pytest.fixture
def drawn(answers) -> Draws:
    return Draws(answers[2], np.random.default_rng(1), count=20)


def repeated(counts: np.ndarray) -> np.ndarray:
    """Row numbers, each as often as it is counted."""
    return np.repeat(np.arange(len(counts)), counts.astype(int))


def test_first_draw_is_the_data_and_others_are_whole_groups(answers, drawn):
    assert (drawn.counts[0] == 1).all()
    assert drawn.groups == 60
    for row in drawn.counts[1:]:
        per_group = row.reshape(60, 4)
        assert (per_group == per_group[:, :1]).all()
        assert per_group[:, 0].sum() == 60
    assert len(np.unique(drawn.counts[1:], axis=0)) == 20


def test_average_precision_is_scikit_learns_with_weights(answers, drawn):
    truth, score, _ = answers
    found = draws.average_precision(drawn.counts, truth, score)
    for value, counts in zip(found, drawn.counts, strict=True):
        expected = sklearn_average_precision(truth, score, sample_weight=counts)
        assert value == pytest.approx(expected, abs=1e-12)


def test_every_figure_is_that_of_frames_really_repeated(answers, drawn):
    truth, score, _ = answers
    probability = 1 / (1 + np.exp(-score))
    weight = np.where(truth, 0.4, 1.3)
    cut = draws.threshold_at_false_alarms(drawn.counts, truth, score, 0.02)
    recall = draws.recall_at(drawn.counts, truth, score, cut)
    error = draws.calibration_error(drawn.counts, truth, probability, weight)
    given = score > 0.7
    share = drawn.share(given, truth)
    for index, counts in enumerate(drawn.counts):
        rows = repeated(counts)
        assert cut[index] == metrics.threshold_at_false_alarms(truth[rows], score[rows], 0.02)
        assert recall[index] == pytest.approx(
            metrics.recall_at_false_alarms_score(truth[rows], score[rows], 0.02)
        )
        assert error[index] == pytest.approx(
            metrics.calibration_error(truth[rows], probability[rows], weight=weight[rows])
        )
        assert share[index] == pytest.approx(metrics.recall_score(truth[rows], given[rows]))


def test_interval_is_scipys_percentile_bootstrap():
    """Of a share: 300 independent frames. Both ends scatter by the draws: with 2,000 of them a
    2.5 % point is known to some 0.05 standard errors (0.0013)."""
    found = np.random.default_rng(3).random(300) < 0.7
    own = Draws(np.arange(300), np.random.default_rng(5), count=2000)
    low, high = draws.interval(own.share(found, np.ones(300, bool)))
    outside = bootstrap(
        (found.astype(float),),
        np.mean,
        n_resamples=2000,
        method="percentile",
        rng=np.random.default_rng(6),
    ).confidence_interval
    assert low == pytest.approx(outside.low, abs=0.006)
    assert high == pytest.approx(outside.high, abs=0.006)


@pytest.mark.parametrize("groups", [1, 7, 60])
def test_none_in_all_draws_is_bounded_by_the_exact_interval(groups):
    """scipy's Clopper-Pearson interval of none, or all, of as many trials as there are groups."""
    own = Draws(np.arange(4 * groups) // 4, np.random.default_rng(1))
    every = np.ones(4 * groups, bool)
    for given, successes in ((~every, 0), (every, groups)):
        outside = binomtest(successes, groups).proportion_ci(method="exact")
        found = own.proportion(given, every)
        assert found["value"] == successes / groups
        assert (found["low"], found["high"]) == pytest.approx((outside.low, outside.high))
    # Half of the frames in every group: with one or two groups nothing tells how others differ.
    half = own.proportion(np.arange(4 * groups) % 2 == 0, every)
    assert half["value"] == 0.5
    assert np.isnan(half["low"]) == (groups < 3)
    # Only the groups that have such frames are trials.
    first = np.arange(4 * groups) < 4
    assert own.proportion(~every, first)["high"] == pytest.approx(0.975)


def test_mirrored_interval_takes_off_what_resampling_adds():
    """Twelve perfect models: their calibration error is all scatter (the floor), and a draw from
    scatter scatters again, so that plain percentiles lie too high: the variances of a bin add, to
    sqrt(2) times the error. Turned round, the interval reaches down towards the true error, 0."""
    plain, mirrored, excess = [], [], []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        probability = rng.beta(2, 8, 1000)
        truth = rng.random(1000) < probability
        values = draws.calibration_error(
            Draws(np.arange(1000), rng, count=100).counts, truth, probability
        )
        excess.append(values[1:].mean() / values[0])
        plain.append(np.divide(draws.interval(values), values[0]))
        mirrored.append(np.divide(draws.interval(values, mirrored=True), values[0]))
    assert np.mean(excess) == pytest.approx(2**0.5, rel=0.15)
    assert 1.2 < np.mean(plain) < 1.6
    assert 0.4 < np.mean(mirrored) < 0.8
    assert np.min(mirrored) >= 0


def test_what_cannot_be_said_is_nan(drawn):
    none = np.zeros(240, bool)
    score = np.zeros(240)
    assert np.isnan(draws.average_precision(drawn.counts, none, score)).all()
    assert np.isnan(drawn.share(none, none)).all()
    entry = drawn.estimate(drawn.share(none, none))
    assert all(np.isnan(value) for value in entry.values())
    # An end that is infinite bounds nothing.
    low, high = draws.interval(np.array([1.0, 0.5, 1.0, np.inf]))
    assert low == 0.5
    assert np.isnan(high)
    assert np.isnan(draws.mean_of([np.array([np.nan]), np.array([np.nan])])).all()
    assert draws.mean_of([np.array([np.nan]), np.array([2.0])]) == 2.0


def test_no_frames_at_all_give_no_figures():
    empty = Draws(np.array([]), np.random.default_rng(1))
    assert empty.groups == 0
    assert np.isnan(empty.share(np.zeros(0, bool), np.zeros(0, bool))).all()
