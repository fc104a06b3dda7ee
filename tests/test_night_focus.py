"""A focus that runs with the temperature against the geometry of defocus.

Out of focus by d a telescope of focal ratio N paints a disc of diameter d / N (similar
triangles); a disc and a sharp star add their half-flux radii in square, nearly enough.
"""

import numpy as np
import pytest

from classifier.night_focus import focus_course, focus_spell

COUNT = 18
COOLING = 14 - 7 * (1 - np.exp(-np.arange(COUNT) / 8.0))
NOISE = 1 + 0.02 * np.random.default_rng(4).normal(size=COUNT)


def hfr(set_at, slope_px_c=0.6, sharp_px=1.8):
    """HFR when the focus is set at these subs and drifts with every degree in between."""
    own = np.empty(COUNT)
    for i in range(COUNT):
        own[i] = COOLING[max(at for at in set_at if at <= i)]
    return np.hypot(sharp_px, slope_px_c * (COOLING - own)) * NOISE


@pytest.mark.parametrize("set_at", [(0,), (0, 8), (0, 5, 11)])
def test_a_drift_with_the_temperature_is_explained(set_at):
    share, times = focus_course(COOLING, hfr(set_at))
    assert share > 0.85
    assert times == len(set_at) - 1


def test_it_may_have_been_set_before_the_run():
    share, times = focus_course(COOLING, np.hypot(1.8, 0.5 * (COOLING - 16.0)) * NOISE)
    assert share > 0.85 and times == 0


def test_what_comes_and_goes_is_not():
    spell = 1 + 0.9 * np.exp(-0.5 * ((np.arange(COUNT) - 8) / 2.0) ** 2)
    assert focus_course(COOLING, 1.8 * spell * NOISE)[0] < 0.8
    assert focus_course(COOLING, 1.8 * NOISE)[0] < 0.5


def test_stars_that_sharpen_as_it_cools_away_from_no_setting_are_not():
    # The tube came to focus by cooling: there was no setting to drift from, and none is invented.
    assert focus_course(COOLING, np.hypot(1.8, 0.6 * (COOLING - 7.0)) * NOISE)[0] < 0.7


def test_too_little_to_tell():
    assert np.isnan(focus_course(COOLING[:4], hfr((0,))[:4])[0])
    assert np.isnan(focus_course(np.full(COUNT, 3.0), hfr((0,)))[0])
    assert np.isnan(focus_course(np.full(COUNT, np.nan), hfr((0,)))[0])


AIR = 1 + 0.9 * (np.arange(COUNT) / (COUNT - 1)) ** 2
INSIDE = (np.arange(COUNT) >= 5) & (np.arange(COUNT) < 13)


@pytest.mark.parametrize("inside", [INSIDE, np.arange(COUNT) >= 7, np.arange(COUNT) < 12])
def test_a_knock_is_explained_while_the_air_thickens(inside):
    # Seeing grows with airmass^(3/5) (Kolmogorov turbulence; Fried 1966), a disc does not.
    size = np.hypot(1.8 * AIR**0.6, np.where(inside, 4.0, 0.0)) * NOISE
    share, sigma = focus_spell(size, AIR)
    # 2 % of scatter, 0.03 in powers of two, beside a change of more than one.
    assert share > 0.985 and sigma > 40


def test_a_slow_change_is_no_knock():
    assert focus_spell(hfr((0,)), AIR)[0] < 0.9
    assert focus_spell(np.full(COUNT, np.nan), AIR) == (0.0, 0.0)
