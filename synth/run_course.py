"""What a night does to the subs of one run while nothing goes wrong.

The field moves across the sky: through more air its stars are fainter and wider and the sky behind
them is brighter; the town's lights go out, the Moon climbs. A run without such a course would teach
that stars which fade by a tenth of a magnitude are behind a cloud.
"""

from dataclasses import dataclass

import numpy as np

from synth import photometry
from synth.atmosphere import airmass_factor
from synth.rng import log_uniform
from synth.weather import Air

# Hours from the first sub of a run to its last: some are a few subs of one filter.
SHORT_H, LONG_H, SHORT_SHARE = (0.1, 1.0), (1.0, 8.0), 0.3
LATITUDE_DEG = (20.0, 60.0)
# Nearer to the horizon than some 28 degrees hardly anybody goes on (common practice).
LOWEST_DEG = 62.0
# Spread of what the hours change beyond the air's path: sky in mag, seeing and haze as shares, over
# eight hours.
SKY_MAG, SEEING, HAZE = 0.25, 0.10, 0.10
# From sub to sub: of the seeing as a share, of the sky in mag, of the air's extinction as a share.
QUICK_SEEING, QUICK_SKY_MAG, QUICK_HAZE = 0.05, 0.05, 0.02
DEGREES_PER_HOUR = 15.041  # of the sky's turn


@dataclass(frozen=True)
class Course:
    """(n,) arrays over the subs of a run, earliest first: extinction in mag, brightness of the sky
    in mag per square arcsecond, widths of the seeing over its width at the middle of the run."""

    extinction_mag: np.ndarray
    sky_mag: np.ndarray
    seeing_factor: np.ndarray


def draw_course(rng: np.random.Generator, air: Air, count: int) -> Course:
    """The course of `count` subs about a time at which the air is as given."""
    span_h = log_uniform(rng, *SHORT_H) if rng.random() < SHORT_SHARE else rng.uniform(*LONG_H)
    hours = np.sort(rng.uniform(-0.5, 0.5, count)) * span_h
    zenith = zenith_deg(rng, air.zenith_deg, hours)
    airmass = np.array([photometry.airmass_kasten_young(z) for z in zenith])
    dark = np.array([photometry.dark_sky_nl(1.0, z) for z in zenith])
    dark /= photometry.dark_sky_nl(1.0, air.zenith_deg)
    # Slow changes run one way, as a share of eight hours.
    slope = hours / LONG_H[1]
    sky, seeing, haze = (rng.normal(0, spread) * slope for spread in (SKY_MAG, SEEING, HAZE))
    haze = 1 + haze + rng.normal(0, QUICK_HAZE, count)
    widening = np.array([airmass_factor(x) for x in airmass]) / airmass_factor(air.airmass)
    return Course(
        extinction_mag=air.extinction_mag / air.airmass * airmass * haze,
        sky_mag=air.sky_mag - 2.5 * np.log10(dark) + sky + rng.normal(0, QUICK_SKY_MAG, count),
        seeing_factor=widening * np.exp(seeing + rng.normal(0, QUICK_SEEING, count)),
    )


def zenith_deg(rng: np.random.Generator, middle_deg: float, hours: np.ndarray) -> np.ndarray:
    """(n,) zenith distances of a field that stands at `middle_deg` at hour 0, somewhere in the sky
    of a latitude drawn at random; lower than LOWEST_DEG only where it is so at that hour."""
    latitude = np.deg2rad(rng.uniform(*LATITUDE_DEG))
    azimuth, zenith = rng.uniform(0, 2 * np.pi), np.deg2rad(middle_deg)
    # From azimuth (north through east) and zenith distance to hour angle and declination.
    up, north = np.cos(zenith), np.sin(zenith) * np.cos(azimuth)
    east = np.sin(zenith) * np.sin(azimuth)
    pole = up * np.sin(latitude) + north * np.cos(latitude)
    meridian = up * np.cos(latitude) - north * np.sin(latitude)
    turn = np.arctan2(-east, meridian) + np.deg2rad(DEGREES_PER_HOUR * hours)
    across = np.hypot(east, meridian)
    height = pole * np.sin(latitude) + across * np.cos(turn) * np.cos(latitude)
    found = np.rad2deg(np.arccos(np.clip(height, -1.0, 1.0)))
    return np.minimum(found, max(LOWEST_DEG, middle_deg))
