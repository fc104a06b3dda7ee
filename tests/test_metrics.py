"""Figures against scikit-learn and against printed numbers of classifier statistics."""

import numpy as np
import pytest
from sklearn.metrics import average_precision_score as sklearn_average_precision
from sklearn.metrics import cohen_kappa_score, roc_curve
from sklearn.metrics import log_loss as sklearn_log_loss

from classifier.crosscheck import kappa
from training import metrics


@pytest.fixture
def answers() -> tuple[np.ndarray, np.ndarray]:
    """400 frames, a fifth positive, scores that overlap and repeat (two decimals)."""
    rng = np.random.default_rng(4)
    truth = rng.random(400) < 0.2
    return truth, np.round(rng.normal(truth * 1.2, 1.0), 2)


def test_average_precision_is_scikit_learns(answers):
    truth, score = answers
    assert metrics.average_precision_score(truth, score) == pytest.approx(
        sklearn_average_precision(truth, score), abs=1e-12
    )


def test_average_precision_without_a_positive_is_unknown():
    assert np.isnan(metrics.average_precision_score([0, 0, 0], [0.1, 0.2, 0.3]))


def test_ties_are_taken_together():
    # All scores equal: one threshold, precision = share of positives, whatever the order.
    assert metrics.average_precision_score([1, 0, 0, 0], [0.5] * 4) == pytest.approx(0.25)
    assert metrics.average_precision_score([0, 0, 0, 1], [0.5] * 4) == pytest.approx(0.25)


@pytest.mark.parametrize("rate", [0.01, 0.05, 0.3])
def test_recall_at_false_alarms_lies_on_scikit_learns_curve(answers, rate):
    truth, score = answers
    false_alarms, recall, _ = roc_curve(truth, score, drop_intermediate=False)
    best = recall[false_alarms <= rate + 1e-12].max()
    assert metrics.recall_at_false_alarms_score(truth, score, rate) == pytest.approx(best)
    threshold = metrics.threshold_at_false_alarms(truth, score, rate)
    assert (score[~truth] >= threshold).mean() <= rate


def test_log_loss_is_scikit_learns(answers):
    truth, score = answers
    probability = 1 / (1 + np.exp(-score))
    weight = np.linspace(0.5, 2, len(truth))
    assert metrics.log_loss(truth, probability, weight) == pytest.approx(
        sklearn_log_loss(truth, probability, sample_weight=weight), rel=1e-9
    )


def test_kappa_is_scikit_learns(answers):
    truth, score = answers
    assert kappa(truth, score > 0.5) == pytest.approx(
        cohen_kappa_score(truth, score > 0.5), abs=1e-12
    )
    assert np.isnan(kappa([1, 1], [1, 1]))


def test_calibration_error_by_hand():
    # Two filled bins of 15: 0.1 (one of four positive) and 0.9 (both of two positive).
    # |0.1 - 0.25| * 4/6 + |0.9 - 1| * 2/6 = 0.1333...
    truth = [1, 0, 0, 0, 1, 1]
    probability = [0.1, 0.1, 0.1, 0.1, 0.9, 0.9]
    assert metrics.calibration_error(truth, probability) == pytest.approx(0.8 / 6)
    # A weight of 2 is the same as the frame twice.
    twice = metrics.calibration_error([*truth, 1], [*probability, 0.1])
    assert metrics.calibration_error(truth, probability, weight=[2, 1, 1, 1, 1, 1]) == (
        pytest.approx(twice)
    )


@pytest.mark.parametrize(
    ("frames", "mean", "high"),
    [(500, 0.038, 0.052), (2000, 0.019, 0.026), (5000, 0.012, 0.016), (20000, 0.006, 0.0086)],
)
def test_floor_of_a_perfect_model(frames, mean, high):
    """Monte Carlo values for 15 equal bins at a prevalence of 0.2, worked out beforehand.

    Their spread of confidences is not recorded; Beta(2, 8), of mean 0.2, is used here, and
    other Betas of that mean give up to 12 % more, because the floor goes as the sum over bins
    of sqrt(n p (1 - p)). The printed values have two digits (8 % at 0.006). The percentile
    follows the unrecorded spread more closely (the fewer bins are filled, the longer the tail)
    and scatters by another 5 % over 150 draws.
    """
    rng = np.random.default_rng(frames)
    probability = rng.beta(2.0, 8.0, frames)
    floor, floor_95 = metrics.calibration_floor(probability, rng, draws=150)
    assert floor == pytest.approx(mean, rel=0.10)
    assert floor_95 == pytest.approx(high, rel=0.3)


def test_precision_at_low_prevalence():
    # Bayes: 0.95 * 0.01 / (0.95 * 0.01 + 0.01 * 0.99) = 0.490; at a tenth of the frames 0.913.
    assert metrics.precision_at_prevalence(0.95, 0.01, 0.01) == pytest.approx(0.490, abs=5e-4)
    assert metrics.precision_at_prevalence(0.95, 0.01, 0.1) == pytest.approx(0.913, abs=5e-4)


def test_binomial_error():
    # sqrt(r (1 - r) / n) for r = 0.95.
    assert metrics.binomial_error(0.95, 100) == pytest.approx(0.0218, abs=5e-5)
    assert metrics.binomial_error(0.95, 1000) == pytest.approx(0.0069, abs=5e-5)


def test_bootstrap_interval_of_independent_rows_is_the_binomial_one():
    rng = np.random.default_rng(1)
    found = rng.random(400) < 0.8
    low, high = metrics.bootstrap_interval(
        lambda rows: found[rows].mean(), np.arange(400), rng, draws=1000
    )
    # 1.96 standard errors to each side; the ends of 1,000 draws scatter by some 5 % of the width.
    width = 2 * 1.96 * metrics.binomial_error(found.mean(), 400)
    assert high - low == pytest.approx(width, rel=0.15)
    assert low < found.mean() < high


def test_bootstrap_interval_widens_when_rows_come_in_groups():
    rng = np.random.default_rng(2)
    found = np.repeat(rng.random(50) < 0.8, 8)  # eight equal frames per run
    alone = metrics.bootstrap_interval(
        lambda rows: found[rows].mean(), np.arange(400), rng, draws=400
    )
    grouped = metrics.bootstrap_interval(
        lambda rows: found[rows].mean(), np.repeat(np.arange(50), 8), rng, draws=400
    )
    # The effective number is 50 instead of 400: sqrt(8) = 2.83 times as wide.
    ratio = (grouped[1] - grouped[0]) / (alone[1] - alone[0])
    assert ratio == pytest.approx(8**0.5, rel=0.25)


def test_reliability_counts_every_frame(answers):
    truth, score = answers
    curve = metrics.reliability(truth, 1 / (1 + np.exp(-score)))
    assert sum(row["count"] for row in curve) == len(truth)
    found = sum(row["count"] * row["positives"] for row in curve)
    assert found == pytest.approx(truth.sum())
