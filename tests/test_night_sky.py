"""Places of Sun, Moon and target against the almanac formulas of the generator, which share no
code with them, and against closed forms."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from classifier.night_sky import sky_places
from synth import ephemeris

BEGIN = datetime(2025, 10, 13, 18, tzinfo=UTC)
TIMES = [BEGIN + timedelta(hours=h) for h in range(0, 12, 2)]
RA, DEC, LATITUDE, LONGITUDE = 56.75, 24.12, 48.2, 16.4


@pytest.fixture(scope="module")
def places():
    return sky_places(TIMES, RA, DEC, LATITUDE, LONGITUDE)


def expected(of):
    return np.array([of(ephemeris.days_since_2000(t)) for t in TIMES])


def apart(one, other):
    return np.abs((np.asarray(one) - other + 180) % 360 - 180).max()


def test_target_and_sun(places):
    def target(days):
        place = ephemeris.of_date(RA, DEC, days)
        return ephemeris.horizontal_deg(*place, days, LATITUDE, LONGITUDE)

    here = expected(target)
    # First-order precession, no nutation or aberration: 0.02 deg; azimuth widens near the zenith.
    assert apart(places.altitude_deg, here[:, 0]) < 0.03
    assert apart(places.azimuth_deg, here[:, 1]) < 0.2
    sun = expected(
        lambda d: ephemeris.horizontal_deg(*ephemeris.sun_deg(d), d, LATITUDE, LONGITUDE)[0]
    )
    assert apart(places.sun_altitude_deg, sun) < 0.03
    hour = expected(
        lambda d: ephemeris.sidereal_deg(d, LONGITUDE) - ephemeris.of_date(RA, DEC, d)[0]
    )
    assert apart(places.hour_angle_deg, hour) < 0.03


def test_moon(places):
    def moon(days):
        place = ephemeris.moon_deg(days)
        altitude = ephemeris.horizontal_deg(*place, days, LATITUDE, LONGITUDE)[0]
        lowered = altitude - ephemeris.MOON_PARALLAX_DEG * np.cos(np.deg2rad(altitude))
        target = ephemeris.of_date(RA, DEC, days)
        return lowered, ephemeris.position_angle_deg(*target, *place)

    here = expected(moon)
    # The printed series are good to 0.3 deg.
    assert apart(places.moon_altitude_deg, here[:, 0]) < 0.4
    # Seen from the ground the Moon stands up to a degree elsewhere: at the least separation here
    # that turns the direction by asin(1 / separation).
    most = np.degrees(np.arcsin(1.3 / places.moon_separation_deg.min()))
    assert apart(places.moon_angle_deg, here[:, 1]) < most
    # Waning, a week after full Moon (2025 October 7) the disc is half lit.
    assert 0.4 < places.moon_lit.mean() < 0.62


def test_zenith_stands_where_the_hour_angle_puts_it(places):
    # Parallactic angle: tan q = sin H / (tan(lat) cos(dec) - sin(dec) cos H) (textbook form).
    hour, dec, lat = np.deg2rad(places.hour_angle_deg), np.deg2rad(DEC), np.deg2rad(LATITUDE)
    angle = np.arctan2(np.sin(hour), np.tan(lat) * np.cos(dec) - np.sin(dec) * np.cos(hour))
    # Precession turns north by 0.1 deg in 25 years at this place.
    assert apart(places.zenith_angle_deg, np.degrees(angle)) < 0.5
