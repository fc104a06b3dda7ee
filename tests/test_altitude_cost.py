"""What a low target cost, against printed airmasses and closed forms."""

import numpy as np
import pytest

from classifier.altitude_cost import altitude_costs, altitude_text


def test_costs_against_printed_airmasses():
    # Relative air mass: Kasten & Young 1989 (Applied Optics 28, 4735), table, from memory to the
    # third digit: 90 deg 1.000, 60 deg 1.154, 30 deg 1.994, 20 deg 2.904.
    costs = altitude_costs([90.0, 60.0, 30.0, 20.0], [60.0] * 4)
    assert costs.airmass == pytest.approx([1.000, 1.154, 1.994, 2.904], rel=0.003)
    assert costs.wider[2] == pytest.approx(1.994**0.6, rel=0.003)
    assert costs.lost_mag[2] == pytest.approx(0.2 * 0.994, abs=0.002)
    # Sky rules: signal to noise goes as light / width, time as its square.
    assert costs.worth[2] == pytest.approx(10 ** (-0.8 * 0.2 * 0.994) / 1.994**1.2, rel=0.006)
    assert costs.worth[0] == pytest.approx(1.0, abs=1e-3)


def test_unknown_and_absurd_altitudes_are_unknown():
    costs = altitude_costs([np.nan, 3.0, -10.0, 45.0], [60.0, 60.0, None, None])
    assert np.isnan(costs.airmass[:3]).all() and np.isfinite(costs.airmass[3])
    assert altitude_text(altitude_costs([np.nan, 2.0], [1.0, 1.0]), np.array([3.0, 3.0])) == []


def test_a_setting_target_is_told_with_what_was_measured():
    altitude = np.linspace(70, 25, 12)
    costs = altitude_costs(altitude, [300.0] * 12)
    fwhm = 3.0 * costs.wider
    told = altitude_text(costs, fwhm)
    assert "from 70 to 25 degrees of altitude (airmass 1.06 to 2.35)" in told[0]
    assert f"{2.352**0.6:.2f} times as wide" in told[0] and "0.27 magnitudes" in told[0]
    ratio = float(np.median(costs.wider[-4:]) / np.median(costs.wider[:4]))
    assert f"are {ratio:.2f} times as wide" in told[1] and f"explains {ratio:.2f}" in told[1]
    low = costs.airmass >= 1.5
    assert f"{low.sum()} subs below 42 degrees, {5 * low.sum():.0f} min" in told[2]
    got = float(300 * costs.worth[low].sum() / 60)
    assert f"as well as {got:.0f} min overhead" in told[2]


def test_a_high_target_gets_one_sentence():
    told = altitude_text(altitude_costs([50.0, 80.0, 60.0], [60.0] * 3), np.full(3, 3.0))
    assert len(told) == 1 and "80 at its highest" in told[0] and "cost little" in told[0]
