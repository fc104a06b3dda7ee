"""A slope that points to one place on the horizon, against astropy's own spherical geometry."""

import numpy as np
import pytest
from written_run import COUNT, run_of

from classifier.night_light_signs import light_signs
from classifier.night_sky import sky_places


@pytest.fixture(scope="module")
def target():
    """Places of a target over a site through a run, and the directions to a town at azimuth 250."""
    from astropy import units as u
    from astropy.coordinates import AltAz, EarthLocation, SkyCoord
    from astropy.time import Time
    from astropy.utils import iers

    line = run_of()
    times = [sub.facts.time_utc for sub in line.subs]
    places = sky_places(times, 60.0, 25.0, 47.0, 9.0)
    with iers.conf.set_temp("auto_download", False), iers.conf.set_temp("auto_max_age", None):
        when = Time([time.replace(tzinfo=None) for time in times])
        site = EarthLocation.from_geodetic(9.0 * u.deg, 47.0 * u.deg)
        town = SkyCoord(AltAz(alt=1.0 * u.deg, az=250.0 * u.deg, obstime=when, location=site))
        there = SkyCoord(60.0 * u.deg, 25.0 * u.deg)
        toward = there.position_angle(town.transform_to("icrs")).deg
    return places, toward


def signs(target, gradient_deg):
    line = run_of(gradient_pct=np.linspace(12, 30, COUNT), gradient_deg=gradient_deg)
    places, _ = target
    line.of.update(vars(places))
    return light_signs(line)


def on_sensor(target):
    """Directions in the array that point to the town, by the line's own camera angle."""
    # +y points to position angle 30 before the flip and 210 after it, x to the west of it, so a
    # direction t in the array lies at position angle turn - atan2(x, y).
    turn = np.where(np.arange(COUNT) >= 9, 210.0, 30.0)
    away = np.deg2rad(turn - target[1])
    # Unmirrored files show north up and east left: x grows to the west.
    return np.rad2deg(np.arctan2(np.cos(away), np.sin(away))) % 360


def test_a_slope_towards_a_town(target):
    assert signs(target, on_sensor(target))["slope_ground"] > 0.99


def test_a_slope_that_stands_on_the_sensor_or_turns_about_is_none(target):
    assert signs(target, 40.0)["slope_ground"] < 0.85
    turning = np.linspace(0, 900, COUNT) % 360
    assert signs(target, turning)["slope_ground"] < 0.6
