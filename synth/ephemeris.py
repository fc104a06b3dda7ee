"""Where Sun, Moon and a target stand over a site: low-precision almanac formulas.

Sun and Moon follow the short series that the Astronomical Almanac prints for low precision (Sun
0.01 deg, Moon 0.3 deg; coefficients from memory, held to astropy's ephemeris by a test).
Angles in degrees, right ascension and declination of date, azimuth from north through east,
`days` since J2000.0 (2000 January 1, 12:00). UTC is taken for dynamical time: a minute of
difference moves the Moon by 0.01 deg.
"""

from datetime import UTC, datetime
from math import asin, atan2, cos, degrees, radians, sin

_J2000 = datetime(2000, 1, 1, 12, tzinfo=UTC)


def days_since_2000(when: datetime) -> float:
    """Days and their fraction since J2000.0."""
    return (when - _J2000).total_seconds() / 86_400.0


def of_date(ra_deg: float, dec_deg: float, days: float) -> tuple[float, float]:
    """J2000 place carried to the equinox of the day by the yearly precession.

    First order (m = 46.12, n = 20.04 arcsec a year): good to 0.01 deg over 30 years except
    within some degrees of a pole.
    """
    years = days / 365.25
    ra, dec = radians(ra_deg), radians(dec_deg)
    in_ra = (46.124 + 20.043 * sin(ra) * sin(dec) / cos(dec)) / 3600.0
    in_dec = 20.043 * cos(ra) / 3600.0
    return (ra_deg + years * in_ra) % 360.0, dec_deg + years * in_dec


def sidereal_deg(days: float, longitude_deg: float) -> float:
    """Local mean sidereal time as an angle; longitude positive to the east."""
    return (280.46061837 + 360.98564736629 * days + longitude_deg) % 360.0


def _equatorial(lon_deg: float, lat_deg: float, days: float) -> tuple[float, float]:
    """Ecliptic longitude and latitude to right ascension and declination."""
    tilt = radians(23.439 - 4e-7 * days)
    lon, lat = radians(lon_deg), radians(lat_deg)
    x = cos(lat) * cos(lon)
    y = cos(tilt) * cos(lat) * sin(lon) - sin(tilt) * sin(lat)
    z = sin(tilt) * cos(lat) * sin(lon) + cos(tilt) * sin(lat)
    return degrees(atan2(y, x)) % 360.0, degrees(asin(z))


def sun_deg(days: float) -> tuple[float, float]:
    """Right ascension and declination of the Sun."""
    anomaly = radians(357.528 + 0.9856003 * days)
    lon = 280.460 + 0.9856474 * days + 1.915 * sin(anomaly) + 0.020 * sin(2 * anomaly)
    return _equatorial(lon, 0.0, days)


# Amplitude, phase and rate per century (deg) of the Moon's longitude, latitude and parallax.
_MOON_LON = (
    (6.29, 135.0, 477198.87),
    (-1.27, 259.3, -413335.36),
    (0.66, 235.7, 890534.22),
    (0.21, 269.9, 954397.74),
    (-0.19, 357.5, 35999.05),
    (-0.11, 186.5, 966404.03),
)
_MOON_LAT = (
    (5.13, 93.3, 483202.02),
    (0.28, 228.2, 960400.89),
    (-0.28, 318.3, 6003.15),
    (-0.17, 217.6, -407332.21),
)


def _series(terms: tuple[tuple[float, float, float], ...], centuries: float) -> float:
    return sum(a * sin(radians(phase + rate * centuries)) for a, phase, rate in terms)


def moon_deg(days: float) -> tuple[float, float]:
    """Geocentric right ascension and declination of the Moon."""
    centuries = days / 36_525.0
    lon = 218.32 + 481267.881 * centuries + _series(_MOON_LON, centuries)
    return _equatorial(lon, _series(_MOON_LAT, centuries), days)


# Mean horizontal parallax of the Moon: seen from the ground it stands lower by this times cos.
MOON_PARALLAX_DEG = 0.951


def horizontal_deg(
    ra_deg: float, dec_deg: float, days: float, latitude_deg: float, longitude_deg: float
) -> tuple[float, float]:
    """Altitude (without refraction) and azimuth."""
    hour = radians(sidereal_deg(days, longitude_deg) - ra_deg)
    lat, dec = radians(latitude_deg), radians(dec_deg)
    up = sin(lat) * sin(dec) + cos(lat) * cos(dec) * cos(hour)
    north = cos(lat) * sin(dec) - sin(lat) * cos(dec) * cos(hour)
    east = -cos(dec) * sin(hour)
    return degrees(asin(max(-1.0, min(1.0, up)))), degrees(atan2(east, north)) % 360.0


def place_deg(
    altitude_deg: float,
    azimuth_deg: float,
    days: float,
    latitude_deg: float,
    longitude_deg: float,
) -> tuple[float, float]:
    """Right ascension and declination of a direction over the ground."""
    alt, az, lat = radians(altitude_deg), radians(azimuth_deg), radians(latitude_deg)
    z = sin(lat) * sin(alt) + cos(lat) * cos(alt) * cos(az)
    x = cos(lat) * sin(alt) - sin(lat) * cos(alt) * cos(az)
    hour = degrees(atan2(-cos(alt) * sin(az), x))
    ra = (sidereal_deg(days, longitude_deg) - hour) % 360.0
    return ra, degrees(asin(max(-1.0, min(1.0, z))))


def position_angle_deg(ra_deg: float, dec_deg: float, to_ra_deg: float, to_dec_deg: float) -> float:
    """Direction on the sky from one place to another, from north through east, 0 to 360."""
    turn = radians(to_ra_deg - ra_deg)
    dec, to_dec = radians(dec_deg), radians(to_dec_deg)
    east = cos(to_dec) * sin(turn)
    north = cos(dec) * sin(to_dec) - sin(dec) * cos(to_dec) * cos(turn)
    return degrees(atan2(east, north)) % 360.0


def distance_deg(ra_deg: float, dec_deg: float, to_ra_deg: float, to_dec_deg: float) -> float:
    """Angle on the sky between two places (haversine form, safe for small ones)."""
    a, b = radians(dec_deg), radians(to_dec_deg)
    half = sin((b - a) / 2) ** 2 + cos(a) * cos(b) * sin(radians(to_ra_deg - ra_deg) / 2) ** 2
    return degrees(2 * asin(min(1.0, half**0.5)))
