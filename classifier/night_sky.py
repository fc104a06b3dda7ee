"""Where Sun, Moon, zenith and pole stood for each sub of a run, from site, pointing and time.

    places = sky_places(times, 83.8, -5.4, 48.2, 16.4)
    places.moon_altitude_deg, places.zenith_angle_deg

Computed with astropy's own low-precision series and without asking any network. Position angles
are on the sky, from north through east.
"""

import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np

Array = np.ndarray


@dataclass(frozen=True)
class SkyPlaces:
    """Arrays (n,), degrees. Altitudes are geometric. moon_lit: share of its disc, 0 to 1.
    moon_angle_deg, zenith_angle_deg: position angles from the target. hour_angle_deg: -180 to
    180, positive after the meridian."""

    altitude_deg: Array
    azimuth_deg: Array
    hour_angle_deg: Array
    sun_altitude_deg: Array
    moon_altitude_deg: Array
    moon_separation_deg: Array
    moon_lit: Array
    moon_angle_deg: Array
    zenith_angle_deg: Array

    def fit_subs(self, sun_deg: float) -> bool:
        """Whether most subs could have been taken so: the target up, the Sun below `sun_deg`."""
        return bool(((self.altitude_deg > 0) & (self.sun_altitude_deg < sun_deg)).mean() > 0.5)


def sky_places(
    times: Sequence[datetime],
    ra_deg: float,
    dec_deg: float,
    latitude_deg: float,
    longitude_deg: float,
) -> SkyPlaces:
    """Places for a target (J2000) over a site (longitude positive to the east)."""
    from astropy import units as u
    from astropy.coordinates import AltAz, EarthLocation, SkyCoord, get_body
    from astropy.time import Time
    from astropy.utils import iers

    with (
        warnings.catch_warnings(),
        # Earth's rotation is known well enough for years ahead: 0.1 s is 1.5 arcsec.
        iers.conf.set_temp("auto_download", False),
        iers.conf.set_temp("auto_max_age", None),
        iers.conf.set_temp("iers_degraded_accuracy", "ignore"),
    ):
        warnings.simplefilter("ignore")
        when = Time([time.replace(tzinfo=None) for time in _utc(times)], scale="utc")
        site = EarthLocation.from_geodetic(longitude_deg * u.deg, latitude_deg * u.deg)
        frame = AltAz(obstime=when, location=site)
        target = SkyCoord(ra_deg * u.deg, dec_deg * u.deg).transform_to(frame)
        sun = get_body("sun", when, site, ephemeris="builtin")
        moon = get_body("moon", when, site, ephemeris="builtin")
        sun_here, moon_here = sun.transform_to(frame), moon.transform_to(frame)
        hour = (when.sidereal_time("apparent", site.lon).deg - _of_date(target, when)[0]) % 360
    phase = np.arctan2(
        sun.distance * np.sin(sun.separation(moon)),
        moon.distance - sun.distance * np.cos(sun.separation(moon)),
    )
    altitude, azimuth, moon_alt, moon_az = (
        np.asarray(each.deg) for each in (target.alt, target.az, moon_here.alt, moon_here.az)
    )
    # The pole stands in the north as high as the latitude.
    north = _angle(altitude, azimuth, latitude_deg, 0.0)
    moon_way = _angle(altitude, azimuth, moon_alt, moon_az)
    return SkyPlaces(
        altitude_deg=altitude,
        azimuth_deg=azimuth,
        hour_angle_deg=(hour + 180) % 360 - 180,
        sun_altitude_deg=np.asarray(sun_here.alt.deg),
        moon_altitude_deg=moon_alt,
        moon_separation_deg=np.asarray(target.separation(moon_here).deg),
        moon_lit=np.asarray((1 + np.cos(phase.value)) / 2),
        moon_angle_deg=(moon_way - north) % 360,
        zenith_angle_deg=-north % 360,
    )


def _utc(times: Sequence[datetime]) -> list[datetime]:
    from datetime import UTC

    return [time if time.tzinfo is None else time.astimezone(UTC) for time in times]


def _of_date(target, when) -> tuple[Array, Array]:
    """Right ascension and declination of date, degrees."""
    from astropy.coordinates import TETE

    place = target.transform_to(TETE(obstime=when, location=target.location))
    return np.asarray(place.ra.deg), np.asarray(place.dec.deg)


def _angle(altitude: Array, azimuth: Array, to_altitude, to_azimuth) -> Array:
    """Direction from one place of the sky to another, degrees from the zenith's direction towards
    growing azimuth's opposite, which is the sense of north through east on the sky."""
    alt, to_alt = np.deg2rad(altitude), np.deg2rad(to_altitude)
    turn = np.deg2rad(to_azimuth - azimuth)
    right = np.cos(to_alt) * np.sin(turn)
    up = np.cos(alt) * np.sin(to_alt) - np.sin(alt) * np.cos(to_alt) * np.cos(turn)
    # Facing the sky, growing azimuth lies to the right, and east to the left of north.
    return np.degrees(np.arctan2(-right, up))
