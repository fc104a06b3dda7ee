"""Calibration and thresholds: against scikit-learn, Bayes' rule, and the rate that was asked."""

import itertools

import numpy as np
import pytest
import torch
from scipy.special import expit
from sklearn.linear_model import LogisticRegression

from classifier.vocabulary import KEYS
from classifier.weights import prior_shift
from training import calibrate
from training.metrics import calibration_error, calibration_floor


def overconfident(frames: int, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Logits three times too large and shifted, with the truth drawn from the right ones."""
    rng = np.random.default_rng(seed)
    right = rng.normal(-1.5, 2.0, frames)
    truth = rng.random(frames) < expit(right)
    return 3 * right + 2, truth.astype(float)


def test_platt_is_logistic_regression():
    found, truth = overconfident(3000, 1)
    fitted = calibrate.fit_platt(found, truth)
    # The pulled-in targets differ from 0 and 1 by about 1 / 700 here: a percent of the slope.
    outside = LogisticRegression(C=np.inf).fit(found[:, None], truth)
    assert fitted.a == pytest.approx(outside.coef_[0, 0], rel=0.03)
    assert fitted.b == pytest.approx(outside.intercept_[0], abs=0.05)
    # And both undo what was done to the logits: a = 1/3, b = -2/3; errors of 3,000 frames.
    assert fitted.a == pytest.approx(1 / 3, rel=0.12)
    assert fitted.b == pytest.approx(-2 / 3, abs=0.15)


def test_calibration_brings_the_error_to_its_floor():
    found, truth = overconfident(20_000, 2)
    fitted = calibrate.fit_platt(found[:5000], truth[:5000])
    after = expit(fitted.a * found[5000:] + fitted.b)
    before = calibration_error(truth[5000:], expit(found[5000:]))
    floor, floor_95 = calibration_floor(after, np.random.default_rng(0), draws=50)
    assert before > 0.05
    # Two fitted numbers add about as much again as one bin of fifteen to the floor.
    assert 0.4 * floor < calibration_error(truth[5000:], after) < 1.5 * floor_95


def test_separable_labels_keep_finite_numbers():
    fitted = calibrate.fit_platt(np.array([-3.0, -2.0, 2.0, 3.0] * 10), np.array([0, 0, 1, 1] * 10))
    assert 0 < fitted.a < 50
    assert abs(fitted.b) < 50
    # At the maximum of the likelihood sum(x (answer - target)) vanishes: over the positives at 2
    # and 3 the answers average, weighted by x, to their target, 21/22 for 20 by Platt's rule.
    answers = expit(fitted.a * np.array([2.0, 3.0]) + fitted.b)
    assert np.average(answers, weights=[2, 3]) == pytest.approx(21 / 22, abs=1e-3)


def test_a_label_of_one_kind_only_is_left_alone():
    assert calibrate.fit_platt(np.arange(5.0), np.zeros(5)) == calibrate.Platt(1.0, 0.0)


def test_prior_shift_is_bayes_rule():
    # odds x (pi' / (1 - pi')) / (pi / (1 - pi)): p = 0.5 at pi = 0.5 becomes 0.05 at pi' = 0.05.
    half, twentieth = dict.fromkeys(KEYS, 0.5), dict.fromkeys(KEYS, 0.05)
    shift = prior_shift(half, twentieth)
    assert torch.sigmoid(torch.zeros(len(KEYS)) + shift) == pytest.approx(
        [0.05] * len(KEYS), rel=1e-6
    )
    assert prior_shift(half, half).tolist() == [0.0] * len(KEYS)


def clean_confidences(frames: int) -> np.ndarray:
    """Confidences of clean frames: labels of very different noise, dependent within a frame."""
    rng = np.random.default_rng(3)
    common = rng.normal(0, 1, (frames, 1))
    return expit(common + rng.normal(-3, np.linspace(0.5, 2.5, len(KEYS)), (frames, len(KEYS))))


@pytest.mark.parametrize("share", [0.01, 0.05])
def test_thresholds_let_the_share_through_and_not_more(share):
    clean = clean_confidences(5000)
    thresholds = calibrate.joint_thresholds(clean, share, lowest=0.0)
    cut = np.array([thresholds[key] for key in KEYS])
    labelled = (clean >= cut).any(1).mean()
    assert share - 1 / 5000 <= labelled <= share
    # Nothing is known of what they find: the allowance is much the same for every label.
    alone = (clean >= cut).sum(0)
    assert alone.max() - alone.min() <= 3


def test_false_alarms_are_spent_where_they_find_most():
    # One fault is told well from the start, one needs a few false alarms, one is never found.
    # Oracle: of three thresholds, all ways to spend the same number of clean frames, tried out.
    rng = np.random.default_rng(4)
    clean = np.full((400, len(KEYS)), 0.01)
    clean[:, :3] = 1 / (1 + np.exp(-rng.normal(-4, 1.5, (400, 3))))
    centres = (6.0, 0.5, -6.0)
    faulty = {
        key: 1 / (1 + np.exp(-rng.normal(centre, 1.0, 300)))
        for key, centre in zip(KEYS, centres, strict=False)
    }
    thresholds = calibrate.joint_thresholds(clean, 0.02, 0.0, faulty)
    cut = np.array([thresholds[key] for key in KEYS[:3]])
    assert (clean[:, :3] >= cut).any(1).sum() <= 8
    gained = sum((faulty[key] >= thresholds[key]).mean() for key in KEYS[:3])
    levels = [np.sort(clean[:, i])[::-1] for i in range(3)]
    best = 0.0
    for spent in itertools.product(range(9), repeat=3):
        tried = np.array([levels[i][k] + 1e-9 for i, k in enumerate(spent)])
        if (clean[:, :3] >= tried).any(1).sum() <= 8:
            found = [(faulty[key] >= tried[i]).mean() for i, key in enumerate(KEYS[:3])]
            best = max(best, sum(found))
    # Thresholds lie half way to the next clean frame, the tried ones just above it, and one label
    # after another is not quite all at once.
    assert best - 0.05 < gained <= best
    assert (clean[:, 1] >= cut[1]).sum() >= 6


def test_thresholds_hold_on_frames_not_used_for_them():
    clean = clean_confidences(20_000)
    thresholds = calibrate.joint_thresholds(clean[:10_000], 0.01, lowest=0.0)
    cut = np.array([thresholds[key] for key in KEYS])
    # 100 of 10,000 allowed: 3 sigma of the count, twice (fit and check), is 0.42 %.
    assert (clean[10_000:] >= cut).any(1).mean() == pytest.approx(0.01, abs=0.0042)


def clean_runs(runs: int, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Confidences of 8 clean frames a run and their runs: what fools a label is the run's rig, so
    all 8 are fooled together."""
    rng = np.random.default_rng(seed)
    rig = 0.7 * rng.standard_t(3, (runs, 1, len(KEYS)))
    logits = rig + rng.normal(-4, 0.3, (runs, 8, len(KEYS)))
    return expit(logits.reshape(-1, len(KEYS))), np.repeat(np.arange(runs), 8)


def test_no_more_clean_frames_of_other_runs_are_labelled_than_was_asked():
    faulty = {key: expit(np.random.default_rng(9).normal(0, 2, 300)) for key in KEYS}
    fresh, _ = clean_runs(20_000, 99)
    plain, kept, told = [], [], []
    for seed in range(8):
        clean, run = clean_runs(300, seed)
        cut = calibrate.joint_thresholds(clean, 0.02, 0.0, faulty)
        plain.append((fresh >= np.array([cut[key] for key in KEYS])).any(1).mean())
        cut, allowed = calibrate.kept_thresholds(clean, run, 0.02, 0.0, faulty)
        kept.append((fresh >= np.array([cut[key] for key in KEYS])).any(1).mean())
        told.append(allowed)
    # The truth is counted on 20,000 runs that no search saw.
    assert np.mean(plain) > 0.023
    assert np.mean(kept) < 0.02
    assert np.sum(np.array(kept) > 0.02) <= 2
    assert all(allowed.expected + allowed.error <= 0.02 for allowed in told)
    # What was expected of left-out runs is what came: within the error of the mean of 8, twice.
    error = np.mean([allowed.error for allowed in told]) / np.sqrt(8)
    assert np.mean([allowed.expected for allowed in told]) == pytest.approx(
        np.mean(kept), abs=2 * error
    )
    assert np.mean(kept) > 0.2 * 0.02, "nor far fewer than asked"


def test_a_single_run_tells_nothing_of_others():
    clean = clean_confidences(400)
    cut, allowed = calibrate.kept_thresholds(clean, np.zeros(400, int), 0.05, 0.0)
    assert cut == calibrate.joint_thresholds(clean, 0.05, 0.0)
    assert allowed.step == 0 and np.isnan([allowed.expected, allowed.error]).all()
    assert calibrate.kept_thresholds(clean[:0], np.zeros(0, int), 0.05, 0.5)[0][KEYS[0]] == 0.5


def test_error_of_a_share_counts_runs_where_their_frames_are_alike():
    # Cochran 1977, Sampling Techniques: sqrt(p (1 - p) / (n - 1)), n the things drawn.
    given = np.arange(400) < 60
    each = calibrate.clustered_error(given, np.arange(400))
    assert each == pytest.approx(np.sqrt(0.15 * 0.85 / 399))
    alike = calibrate.clustered_error(np.repeat(given, 8), np.repeat(np.arange(400), 8))
    assert alike == pytest.approx(each)
    # As many in every run: nothing would differ with other runs.
    even = calibrate.clustered_error(np.tile([True, False], 50), np.repeat(np.arange(50), 2))
    assert even == pytest.approx(0)


def test_no_threshold_lies_under_even_odds():
    quiet = np.full((300, len(KEYS)), 0.001)
    thresholds = list(calibrate.joint_thresholds(quiet, 0.01, 0.5).values())
    assert thresholds == pytest.approx([0.5] * len(KEYS))
    assert set(calibrate.joint_thresholds(quiet[:0], 0.01, 0.5).values()) == {0.5}


def test_equal_confidences_never_pass_together():
    # Half of the clean frames share one value, another for each label: a threshold at it would
    # let half of them through.
    clean = np.full((100, len(KEYS)), 0.1)
    clean[50:] = np.linspace(0.51, 0.99, len(KEYS))
    cut = np.array(list(calibrate.joint_thresholds(clean, 0.01, 0.0).values()))
    assert not (clean >= cut).any()


def test_only_clear_cases_are_fitted():
    logits = np.tile(np.linspace(-4, 4, 80)[:, None], (1, len(KEYS)))
    targets = (logits > 0).astype(float)
    spoilt = targets.copy()
    spoilt[::3] = 0.5
    spoilt[1::3] = np.nan
    clear = calibrate.fit_all(logits[2::3], targets[2::3])
    assert calibrate.fit_all(logits, spoilt) == clear
    assert calibrate.prevalence(spoilt)[KEYS[0]] == targets[2::3, 0].mean()


def test_clean_means_free_of_every_fault():
    targets = np.zeros((4, len(KEYS)))
    targets[1, 3], targets[2, 5], targets[3, 7] = 1.0, 0.4, np.nan
    assert calibrate.clean_frames(targets).tolist() == [True, False, False, False]


def test_strangeness_begins_where_hardly_a_star_field_reaches():
    rng = np.random.default_rng(8)
    features, logits = rng.normal(size=(4000, 3)), rng.normal(-4, 1, 4000)
    cut = calibrate.fit_familiar(features, features, logits + 2).cut
    # 0.3 % of a normal distribution lie beyond 2.748 sigma (tables of the normal integral).
    assert cut == pytest.approx(-2 + 2.748, abs=0.3)
    assert calibrate.fit_familiar(features, features, logits - 6).cut == calibrate.LEAST_STRANGE


def test_distance_of_familiar_frames_is_one():
    rng = np.random.default_rng(5)
    mixing = rng.normal(size=(24, 24))
    features = rng.normal(size=(4000, 24)) @ mixing + 3
    familiar = calibrate.fit_familiar(features[::2], features[1::2])
    strange = features[:500] + 12 * mixing[0]
    far = np.sqrt((((strange - familiar.centre) @ familiar.whitening) ** 2).mean(1))
    # Whitened: mean square 1 where the spread is well above the shrinkage, less elsewhere.
    assert 0.7 < familiar.median < 1.05
    # chi-square of 24: 99th percentile of the root mean square is 1.34, shrunk likewise.
    assert 1.2 < familiar.q99 / familiar.median < 1.5
    assert np.median(far) > familiar.q99
