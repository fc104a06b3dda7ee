"""Satellites against orbital mechanics with astropy's constants, and the trails drawn from them."""

import numpy as np
import pytest
from astropy import constants
from astropy import units as u
from frame_of_one_rig import scene

from synth import night_weather, orbits, passes, streaks


def orbit(height_km: float) -> tuple[float, float]:
    """Speed in m/s and period in minutes of a circular orbit, by Kepler's third law."""
    a = constants.R_earth + height_km * u.km
    speed = np.sqrt(constants.GM_earth / a)
    return speed.to_value(u.m / u.s), (2 * np.pi * a / speed).to_value(u.min)


@pytest.mark.parametrize("height_km", [350, 550, 1200, 20_200, 35_786])
def test_speed_and_period_with_other_constants(height_km):
    speed, period = orbit(height_km)
    # The IAU's nominal Earth has our GM to 1e-8 and a radius 6e-6 smaller than that of WGS 84.
    assert orbits.orbital_speed_m_s(height_km) == pytest.approx(speed, rel=1e-5)
    # Once round the Earth at that speed.
    around_m = 2 * np.pi * (6_378_137.0 + 1e3 * height_km)
    assert around_m / orbits.orbital_speed_m_s(height_km) / 60 == pytest.approx(period, rel=1e-5)


@pytest.mark.parametrize(
    ("height_km", "deg_s", "tolerance"),
    # v / h, worked separately; 2845 arcsec/s for 550 km. The last has three digits.
    [(400, 1.098, 1e-3), (550, 0.790, 1e-3), (1200, 0.346, 2e-3), (20_200, 0.0110, 5e-3)],
)
def test_rate_overhead(height_km, deg_s, tolerance):
    assert orbits.zenith_rate_deg_s(height_km) == pytest.approx(deg_s, rel=tolerance)
    # By a road of its own: where the satellite stands from the ground half a second either side.
    radius_km = constants.R_earth.to_value(u.km)
    turn = 2 * np.pi / (orbit(height_km)[1] * 60) * 0.5
    seen = np.arctan2(
        (radius_km + height_km) * np.sin(turn), (radius_km + height_km) * np.cos(turn) - radius_km
    )
    assert orbits.zenith_rate_deg_s(height_km) == pytest.approx(np.rad2deg(2 * seen), rel=1e-3)


def test_geostationary_satellites_lag_by_the_sidereal_rate():
    # 360 degrees in 86164.0905 s: 15.04107 arcsec/s (Explanatory Supplement, from memory).
    assert pytest.approx(360 * 3600 / 86164.0905, rel=1e-5) == passes.SIDEREAL_ARCSEC_S
    speed, period = orbit(35_786)
    assert speed == pytest.approx(3075, rel=1e-3)
    assert period == pytest.approx(1436.07, rel=1e-3)


@pytest.mark.parametrize(
    ("aperture_m", "distance_km", "arcsec", "tolerance"),
    # D / d: Rubin's 8.4 m at 550 km 3.15 (trails "about 3 arcsec" wide, Tyson et al. 2020,
    # arXiv 2006.12417); small apertures; a meteor at 100 km.
    [
        (8.4, 550, 3.15, 0.002),
        (0.1, 550, 0.0375, 0.002),
        (0.28, 550, 0.105, 0.002),
        (0.2, 100, 0.41, 0.01),
    ],
)
def test_range_blur(aperture_m, distance_km, arcsec, tolerance):
    assert orbits.range_blur_arcsec(aperture_m, distance_km) == pytest.approx(arcsec, rel=tolerance)


@pytest.mark.parametrize(
    ("mag", "time_s", "surface"), [(5, 60, 19.08), (5, 300, 20.82), (7, 300, 22.82)]
)
def test_surface_brightness_of_a_trail(mag, time_s, surface):
    # m + 2.5 log10(omega W t): 550 km, 2845 arcsec/s, 2.5 arcsec wide; two digits.
    assert orbits.trail_surface_mag(mag, 2845, 2.5, time_s) == pytest.approx(surface, abs=0.006)
    # The light of the whole trail is that of the satellite for the time it is in the frame.
    length_arcsec = 3600.0
    area_arcsec2 = length_arcsec * 2.5
    inside_s = length_arcsec / 2845
    total = surface - 2.5 * np.log10(area_arcsec2)
    assert total == pytest.approx(mag - 2.5 * np.log10(inside_s / time_s), abs=0.006)


def test_trail_as_bright_as_a_star():
    # m + 2.5 log10(omega t / FWHM): 17.09 for m 5, 60 s, 2.5 arcsec: the light of a square of the
    # trail as wide as it.
    surface = orbits.trail_surface_mag(5.0, 2845, 2.5, 60.0)
    assert surface - 2.5 * np.log10(2.5**2) == pytest.approx(17.09, abs=0.006)


def test_a_satellites_trail_in_a_night():
    # V 6 at 550 km through the small telescope (39.1 e/s from V 15: 155,700 e/s), whatever the
    # time: 2845 arcsec/s are 1944 px/s, 80.1 e a pixel along, over sqrt(2 pi) s across. The matched
    # filter sums the squares of that: A^2 L s sqrt(pi) over the noise.
    one = scene(sky_mag=21.0, exposure_s=60.0)
    sigma = one.good_fwhm_px / 2.3548
    peak = 39.1 * 10 ** (0.4 * 9) / (2845 / 1.4633) / (np.sqrt(2 * np.pi) * sigma)
    noise = np.sqrt(60 * 0.3335 + 1.5**2)
    wanted = peak / noise * np.sqrt(one.width_px * sigma * np.sqrt(np.pi))
    assert night_weather.satellite_snr(one, 6.0, 550.0) == pytest.approx(wanted, rel=0.01)
    # A magnitude is a factor of 2.512; twice the time is the same trail on more sky.
    faint = night_weather.satellite_snr(one, 7.0, 550.0)
    assert wanted / faint == pytest.approx(2.512, rel=0.01)
    longer = night_weather.satellite_snr(scene(sky_mag=21.0, exposure_s=240.0), 6.0, 550.0)
    noisier = np.sqrt(240 * 0.3335 + 1.5**2) / noise
    assert longer == pytest.approx(wanted / noisier, rel=0.01)


@pytest.mark.parametrize(("length", "peak"), [(1000.0, 0.1052), (4000.0, 0.0526)])
def test_peak_that_a_matched_filter_finds_at_five_sigma(length, peak):
    # A = S/N sigma / sqrt(L s sqrt pi), s = 3 px / 2.3548: by the sum of squares of the section.
    sigma = 3.0 / 2.354820
    y = np.arange(-20, 21)
    section = np.exp(-0.5 * (y / sigma) ** 2)
    found = peak * np.sqrt(length * (section**2).sum())
    assert found == pytest.approx(5.0, rel=2e-3)
    assert streaks.trail_amplitude(5.0, 1.0, length, sigma) == pytest.approx(peak, rel=2e-3)


def flights(sub: passes.Sub, number: int = 3000) -> list[passes.Flight]:
    rng = np.random.default_rng(1)
    return [passes.draw_flight(rng, sub) for _ in range(number)]


def test_flights_are_those_of_orbits():
    # 1 s at 1 arcsec/px: lengths are rates in arcsec/s. The fastest is overhead at the lowest
    # height, 350 km: 1.26 deg/s; no low one falls under 0.3 of 1500 km's 0.272 deg/s; the share of
    # low orbits is 0.86 (four sigma of 3000: 0.025); the slowest keep still over the ground.
    rates = np.array([f.length_px for f in flights(passes.Sub(1.0, 1.0, 100.0))])
    low = rates > 0.3 * 3600 * 0.27
    assert rates.max() < 3600 * np.rad2deg(orbit(350)[0] / 350e3)
    assert rates[low].max() > 0.8 * 3600 * np.rad2deg(orbit(350)[0] / 350e3)
    assert low.mean() == pytest.approx(passes.ORBITS["low"][0], abs=0.03)
    assert rates.min() > 0.3 * 3600 * np.rad2deg(orbit(24_000)[0] / 24_000e3)
    assert (np.abs(rates - 15.041) < 1e-3).mean() == pytest.approx(0.08, abs=0.02)
    # Time and scale: ten times as long a sub at half the scale draws trails twenty times as long.
    longer = np.array([f.length_px for f in flights(passes.Sub(10.0, 0.5, 100.0))])
    assert longer == pytest.approx(20 * rates, rel=1e-9)


class Highest:
    """Draws the upper end of every range: the highest low orbit, straight overhead."""

    def random(self) -> float:
        return 0.1

    def uniform(self, low: float, high: float) -> float:
        return high


def test_flight_overhead_is_that_of_its_orbit():
    # 1500 km: v / h for 20 s at 2 arcsec/px, and D / h for 200 mm.
    flight = passes.draw_flight(Highest(), passes.Sub(20.0, 2.0, 200.0))
    rate = np.rad2deg(orbit(1500)[0] / 1500e3) * 3600
    assert flight.length_px == pytest.approx(rate * 20 / 2, rel=1e-4)
    assert flight.blur_px == pytest.approx(np.rad2deg(0.2 / 1500e3) * 3600 / 2, rel=1e-4)


def test_blur_of_flights():
    # 100 mm at 350 km overhead 0.0589 arcsec, farther is less; a pixel of 1 arcsec.
    blurs = np.array([f.blur_px for f in flights(passes.Sub(1.0, 1.0, 100.0))])
    assert blurs.max() <= np.rad2deg(0.1 / 350e3) * 3600 * 1.0001
    assert blurs.min() == pytest.approx(np.rad2deg(0.1 / 38_000e3) * 3600, rel=0.01)
