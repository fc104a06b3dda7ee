"""Trends and steps against closed forms and scipy, with odd values among the series."""

import numpy as np
import pytest

from classifier.night_trend import (
    correlation,
    eases,
    find_spell,
    find_step,
    robust_spread,
    smoothness,
    trend,
)


def test_slope_survives_wild_values():
    rng = np.random.default_rng(3)
    x = np.linspace(0, 6, 40)
    y = 2.0 + 0.3 * x + rng.normal(0, 0.05, 40)
    y[[4, 20, 33]] = (9.0, -4.0, 30.0)
    found = trend(x, y)
    assert found is not None and found.is_sure
    # The error of a slope over 40 values, 0.05 of scatter and a spread of 1.75 in x is 0.005; the
    # three wild values shift the median of the pairs' slopes by about as much.
    assert found.slope == pytest.approx(0.3, abs=0.015)
    assert found.low < 0.3 < found.high


def test_no_slope_is_sure_in_noise():
    rng = np.random.default_rng(1)
    sure = sum(trend(np.arange(20.0), rng.normal(size=20)).is_sure for _ in range(200))
    # 95 % bounds: 5 % expected, 10 of 200; twice that is 3 sigma above.
    assert sure <= 20


def test_unknown_values_are_left_out():
    x = np.arange(10.0)
    y = np.where(x % 3 == 0, np.nan, 2 * x)
    assert trend(x, y).slope == pytest.approx(2.0)
    assert trend(x, np.full(10, np.nan)) is None


def test_a_step_is_found_at_its_place():
    rng = np.random.default_rng(2)
    y = rng.normal(0, 0.1, 20) + np.where(np.arange(20) >= 13, 1.0, 0.0)
    y[5] = np.nan
    step = find_step(y)
    assert step.at == 13
    # Error of the difference of two medians: 1.25 x 0.1 x sqrt(1/12 + 1/7) = 0.06.
    assert step.size == pytest.approx(1.0, abs=0.2)
    assert step.sigma > 8
    assert step.share > 0.8
    assert find_step(y, at=5).share < 0.4
    assert find_step(y[:4]) is None


def test_spread_of_a_normal_sample():
    values = np.random.default_rng(4).normal(3, 2, 4000)
    values[:100] = 1e6
    # 2.5 % of wild values widen it by 3 to 4 %; chance by 2 %.
    assert robust_spread(values) == pytest.approx(2.0, rel=0.08)


def test_slow_courses_are_smooth_and_alternating_ones_are_not():
    x = np.arange(30.0)
    assert smoothness(np.sin(x / 6)) > 0.9
    assert abs(smoothness(np.random.default_rng(5).normal(size=400))) < 0.2
    assert smoothness((-1.0) ** x) < -0.9


def test_ranks_correlate_whatever_the_scale():
    x = np.arange(12.0)
    assert correlation(x, np.exp(x)) == pytest.approx(1.0)
    assert correlation(x, -(x**3)) == pytest.approx(-1.0)
    assert correlation(x, np.ones(12)) == 0.0


def test_what_went_again_and_what_only_grew():
    hill = np.exp(-0.5 * ((np.arange(18) - 8) / 2.0) ** 2)
    assert eases(hill) > 0.9
    assert eases(1 - hill) > 0.9  # bad at both ends
    assert eases(np.linspace(0, 1, 18)) == 0.0
    assert eases(np.where(np.arange(18) == 9, 1.0, 0.0)) == 0.0  # one odd sub
    assert eases(0.01 * hill) < 0.25 and eases(hill[:4]) == 0.0


@pytest.mark.parametrize("begin, end", [(3, 9), (0, 4), (11, 20)])
def test_a_spell_is_found_at_its_place(begin, end):
    rng = np.random.default_rng(6)
    inside = (np.arange(20) >= begin) & (np.arange(20) < end)
    noise = rng.normal(0, 0.1, 20)
    found = find_spell(np.where(inside, 1.0, 0.0) + noise)
    # A spell that reaches an end is the same split of the night seen from its other part.
    assert found[:2] in {(begin, end), (end, 20) if begin == 0 else (0, begin)}
    # The variance of two levels 1 apart is p (1 - p), that of the noise 0.01.
    share = inside.mean() * (1 - inside.mean())
    assert found[2] == pytest.approx(share / (share + 0.01), abs=0.03)


def test_no_spell_in_too_little_or_in_nothing():
    assert find_spell(np.arange(5.0)) is None
    assert find_spell(np.ones(12)) is None


def test_a_long_series_that_only_grows_does_not_ease_by_its_scatter():
    rng = np.random.default_rng(8)
    y = np.linspace(0, 0.6, 400) + rng.normal(0, 0.1, 400)
    # Medians of 33 scatter by 1.25 x 0.1 / 33^0.5 = 0.022, those of three by 0.067, whose extremes
    # among hundreds lie six times as far apart.
    assert eases(y) < 0.2
    # A spell of a sixth of the run is still seen.
    y[200:270] -= 0.5
    assert eases(y) > 0.6
