"""Clipping against closed forms, a published bound and Monte Carlo."""

import numpy as np
import pytest

from classifier.clipping import (
    can_reject,
    clipped_spread,
    false_rejection,
    farthest_sigma,
    ghost,
    ghost_snr,
    line_gain,
    reject_from,
    subs_needed,
)


@pytest.mark.parametrize(
    ("subs", "bound"), [(5, 1.789), (10, 2.846), (11, 3.015), (16, 3.75), (20, 4.249)]
)
def test_no_value_lies_farther_than_the_bound(subs, bound):
    """(n - 1) / sqrt(n): Shiffler 1988, Am. Stat. 42, 79 (from memory); a lone value has it."""
    assert farthest_sigma(subs) == pytest.approx(bound, abs=5e-4)
    values = np.array([1.0] + [0.0] * (subs - 1))
    assert (1 - values.mean()) / values.std(ddof=1) == pytest.approx(bound, abs=5e-4)


def test_ten_subs_cannot_reject_at_three_sigma_and_eleven_can():
    assert not can_reject(10, 3.0) and can_reject(11, 3.0)
    assert not can_reject(1, 1.5)
    assert np.isinf(reject_from(10, 3.0))


@pytest.mark.parametrize(
    ("k", "rejected", "spread"),
    # Normal distribution tables, recomputed: erfc(k / sqrt 2), and the truncated deviation.
    [(2, 0.0455, 0.880), (2.5, 0.0124, 0.955), (3, 0.00270, 0.9866), (4, 6.33e-5, 0.9995)],
)
def test_what_a_clip_takes_from_good_values(k, rejected, spread):
    assert false_rejection(k) == pytest.approx(rejected, rel=0.005)
    assert clipped_spread(k) == pytest.approx(spread, abs=6e-4)
    values = np.random.default_rng(1).normal(size=400_000)
    good = np.abs(values) < k
    # Three standard errors of a counted share, and of a deviation from 400,000 values.
    assert (~good).mean() == pytest.approx(rejected, abs=3 * (rejected / 400_000) ** 0.5 + 1e-5)
    assert values[good].std() == pytest.approx(clipped_spread(k), abs=3 / 800_000**0.5)


def clipped_stack(trail_sigma, subs, k, trials, seed=0):
    """Mean over many pixels of a stack after one pass, the trail in the first sub."""
    values = np.random.default_rng(seed).normal(size=(trials, subs))
    values[:, 0] += trail_sigma
    centre, spread = values.mean(1, keepdims=True), values.std(1, ddof=1, keepdims=True)
    kept = np.abs(values - centre) <= k * spread
    # The ghost is the trail's own contribution to the mean of n (the lost pixel aside).
    own = np.where(kept[:, 0], values[:, 0], 0.0).mean()
    return own / subs


@pytest.mark.parametrize("subs", [8, 15, 30, 60])
@pytest.mark.parametrize("trail_sigma", [0.5, 2.0, 4.0, 8.0, 20.0])
def test_ghost_by_monte_carlo(subs, trail_sigma):
    """The formula takes the other subs' deviation as exactly 1, where n - 2 degrees of freedom
    scatter by 1 / sqrt(2 (n - 2)): 20 % of the limit at 15 subs. That blurs where rejection
    begins and leaves a tenth of the trail's share A / n; noise of the trials adds little."""
    measured = clipped_stack(trail_sigma, subs, 3.0, 40_000)
    expected = ghost(trail_sigma, subs, 3.0)
    error = 4 * 1.0 / subs / 40_000**0.5
    assert measured == pytest.approx(expected, abs=0.12 * trail_sigma / subs + error)


def test_few_subs_keep_the_whole_ghost():
    assert ghost(50.0, 10, 3.0) == pytest.approx(5.0)
    assert ghost(50.0, 40, 3.0) == pytest.approx(0.0, abs=1e-6)
    # Eleven subs can reject, but only beyond 30 sigma: the trail hides behind itself.
    assert 25 < reject_from(11, 3.0) < 35


def test_rejection_limit_by_solving_for_it():
    """x among n - 1 values of deviation 1 and mean 0 lies exactly k deviations out."""
    n, k = 20, 3.0
    x = reject_from(n, k)
    others = np.array([-1.0, 1.0] * 9 + [0.0])
    others /= np.sqrt((others**2).sum() / (n - 2))  # the sample variance of the others is 1
    values = np.append(others, x)
    assert (x - values.mean()) / values.std(ddof=1) == pytest.approx(k, rel=1e-9)


def test_gain_of_a_line():
    """Amplitude 0.1052 sigma, 1000 px, FWHM 3 px: 5 sigma in all (worked by hand)."""
    assert 0.1052 * line_gain(1000, 3.0) == pytest.approx(5.0, rel=0.005)


def test_ghost_over_its_length():
    """Unclipped, the sum over a trail falls with the root of the number of subs."""
    gain = line_gain(1000, 3.0)
    assert ghost_snr(16.0, gain, 4, 3.0) == pytest.approx(8.0, rel=1e-9)
    assert subs_needed(16.0, gain, 3.0, 8.0) in (4, 5)
    # A bright one, 20 sigma a pixel, needs clipping, which starts beyond 10 subs.
    number = subs_needed(20.0 * gain, gain, 3.0, 8.0)
    assert 11 < number < 30
    assert ghost_snr(20.0 * gain, gain, number, 3.0) < 8.0
    assert ghost_snr(20.0 * gain, gain, number - 1, 3.0) >= 8.0
    assert subs_needed(1e9, gain, 1e3, 8.0) is None
