"""Satellites overhead: speed, rate, range blur and brightness of their trails.

Circular orbits straight overhead; the Earth's rotation is left out (6 % of the rate).
"""

from math import log10, sqrt

import numpy as np

# Gravitational parameter of the Earth, m3/s2, and its equatorial radius, m (WGS 84).
_GM_M3_S2 = 3.986004418e14
_EARTH_M = 6_378_137.0


def orbital_speed_m_s(height_km: float) -> float:
    """Speed on a circular orbit `height_km` above the equator."""
    return sqrt(_GM_M3_S2 / (_EARTH_M + 1e3 * height_km))


def zenith_rate_deg_s(height_km: float) -> float:
    """Angular speed seen from below when overhead, the Earth's rotation left out (6 %)."""
    return float(np.rad2deg(orbital_speed_m_s(height_km) / (1e3 * height_km)))


def range_blur_arcsec(aperture_m: float, distance_km: float) -> float:
    """Outer diameter of a point at a finite distance in a telescope focused on the stars."""
    return float(np.rad2deg(aperture_m / (1e3 * distance_km)) * 3600.0)


def trail_surface_mag(
    magnitude: float, rate_arcsec_s: float, width_arcsec: float, time_s: float
) -> float:
    """Surface brightness in a sub of `time_s` of a trail of that width, mag/arcsec2."""
    return magnitude + 2.5 * log10(rate_arcsec_s * width_arcsec * time_s)
