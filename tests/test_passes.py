"""How long a satellite's trail is, from the mechanics of its orbit."""

from math import hypot

import numpy as np
import pytest

from synth import passes, streaks

SUB = passes.Sub(exposure_s=60.0, scale_arcsec=1.5, aperture_mm=200.0)


@pytest.fixture(scope="module")
def flights():
    rng = np.random.default_rng(1)
    return [passes.draw_flight(rng, SUB) for _ in range(2000)]


def test_low_orbits_cross_any_field(flights):
    # 350 to 1500 km: v / h from 1.26 to 0.27 deg/s overhead (circular orbits, worked by hand:
    # 7.70 km/s and 7.11 km/s), a third of that near the horizon. In 60 s at 1.5 arcsec/px:
    # 0.3 x 0.27 x 3600 x 40 = 11,600 px at least, 1.26 x 3600 x 40 = 181,000 px at most.
    low = np.array([f.length_px for f in flights if f.length_px > 8000])
    assert len(low) / len(flights) == pytest.approx(0.86, abs=0.03)
    assert low.min() > 11_000 and low.max() < 185_000


def test_geostationary_ones_leave_a_dash(flights):
    # The stars move by 15.041 arcsec/s: 60 s at 1.5 arcsec/px are 602 px.
    dashes = [f.length_px for f in flights if f.length_px == pytest.approx(601.6, abs=0.5)]
    assert len(dashes) / len(flights) == pytest.approx(0.08, abs=0.02)


def test_range_blur_is_aperture_over_distance(flights):
    # 0.2 m at 350 km is 0.118 arcsec, at 38,000 km 0.001 (small angles).
    blur = np.array([f.blur_px for f in flights]) * SUB.scale_arcsec
    assert blur.max() < 0.118 and blur.min() == pytest.approx(0.0011, abs=1e-4)


@pytest.mark.parametrize("length", [30.0, 200.0])
def test_a_short_flight_has_its_length_and_lies_on_its_chord(length):
    rng = np.random.default_rng(4)
    for _ in range(50):
        ends = passes.chord(rng, 400, 300)
        x0, y0, x1, y1 = passes.flown(rng, ends, length, 400, 300)
        assert hypot(x1 - x0, y1 - y0) == pytest.approx(length, rel=1e-9)
        across = (ends[2] - ends[0]) * (y0 - ends[1]) - (ends[3] - ends[1]) * (x0 - ends[0])
        assert across / hypot(ends[2] - ends[0], ends[3] - ends[1]) == pytest.approx(0, abs=1e-6)


def test_a_long_flight_is_the_whole_chord():
    ends = (0.0, 0.0, 300.0, 400.0)
    assert passes.flown(np.random.default_rng(0), ends, 501.0, 200, 200) == ends


def test_drawn_trails_end_inside_when_the_sub_is_short():
    # 0.05 s at 1.5 arcsec/px: 10 to 150 px for low orbits, in a frame of 500.
    sub = passes.Sub(0.05, 1.5, 100.0)
    rng = np.random.default_rng(6)
    for _ in range(20):
        trails = streaks.draw_trails(rng, 30.0, 500, 400, 3.0, 5.0, "satellite", sub)
        for t in trails:
            assert hypot(t.x1_px - t.x0_px, t.y1_px - t.y0_px) < 160
