"""A bar across the aperture, told by all bright stars of all subs of a run together.

    rays = spike_rays(background, stars, fwhm_px)      # of every sub
    sigma, deg = common_bar(np.stack([...]))

The bar turns with the tube: its spikes have one direction on the sensor, at every star, in every
sub, before and after a flip, and hold the same share of the star's light. Neighbours that feign a
spike at one star are not at the others, noise that feigns one in a sub is not in the next. So
medians are taken: over the stars of a sub, then over the subs; and only then is the
weaker of two opposite directions asked. A star near the edge shows one side of its spikes alone;
after a flip, or at another star, the other side is seen. `star_rays` tells what is a spike.
"""

import math

import numpy as np

from classifier.background import Background
from classifier.star_rays import (
    LEAST_PEAK,
    LEAST_SEEN,
    RINGS_FWHM,
    along_rings,
    rings_round,
    strongest_odd,
    weaker_of_two,
)
from classifier.sweeps import known_medians

Array = np.ndarray

MOST_STARS = 6
LEAST_LIGHT = 0.3  # of the brightest star's: in fainter ones noise hides the same share of light
BROAD = 8  # steps of 2 degrees to each side: light that is as broad is no spike's
LEAST_SUBS = 4
NEAR_COLUMN_DEG = 2.5  # of a run, whose directions are told more finely than a frame's
NONE = np.zeros((0, 180), np.float32)


def spike_rays(background: Background, stars: Array, fwhm_px: float) -> Array:
    """(2, 180) float32 of one frame, (0, 180) where no star can be asked: by ring (a short one and
    a long one), the light in every direction, in shares of the star's light, every 2 degrees from
    +x towards +y, less what is broad; the lower median of the bright stars that show the
    direction, NaN where none does.

    stars: as `find_stars` gives them; fwhm_px: their width.
    """
    if not (math.isfinite(fwhm_px) and fwhm_px > 0):
        return NONE
    bright = stars[:MOST_STARS]
    bright = bright[(bright["peak"] >= LEAST_PEAK * background.noise_adu) | bright["saturated"]]
    bright = bright[bright["flux"] > LEAST_LIGHT * bright["flux"].max(initial=0.0)]
    seen = []
    for star in bright:
        rays = _rays(background, float(star["x"]), float(star["y"]), fwhm_px)
        if rays is not None:
            seen.append(rays / float(star["flux"]))
    if not seen:
        return NONE
    return _lower_median(np.array(seen)).astype(np.float32)


def _rays(background: Background, x: float, y: float, fwhm_px: float) -> Array | None:
    """(2, 180) the same of one star in ADU; None if too little round it is in the frame."""
    found = []
    for ends in RINGS_FWHM:
        polar, is_inner, _ = rings_round(background, x, y, fwhm_px, ends)
        profile = along_rings(polar, is_inner)
        if np.isfinite(profile).mean() < LEAST_SEEN:
            return None
        found.append(profile - _broad(profile))
    return np.array(found)


def _lower_median(values: Array) -> Array:
    """Over the first axis, of what is known; the lower of the two middle ones of an even number."""
    count = np.isfinite(values).sum(0)
    ordered = np.sort(values, axis=0)  # NaN last
    middle = np.maximum(count - 1, 0) // 2
    return np.take_along_axis(ordered, middle[None], 0)[0]


def _broad(profile: Array) -> Array:
    """Running median round the circle."""
    wider = np.pad(profile, BROAD, mode="wrap")
    parts = np.lib.stride_tricks.sliding_window_view(wider, 2 * BROAD + 1)
    known = np.isfinite(profile)
    broad = np.zeros_like(profile)
    broad[known] = known_medians(parts[known])
    return broad


def common_bar(rays: Array) -> tuple[float, float]:
    """Strength of the strongest pair of spikes that no regular spider makes, in sigma of the
    directions beside it, and its direction, 0 to 180 degrees from +x towards +y: 0 and NaN if
    there is none. rays: (n, 2, 180) of the subs of a run, see `spike_rays`."""
    if len(rays) < LEAST_SUBS:
        return 0.0, math.nan
    profiles = []
    for ring in rays.swapaxes(0, 1):
        many = np.isfinite(ring).sum(0) >= LEAST_SUBS
        light = np.full(ring.shape[1], math.nan)
        light[many] = np.nanmedian(ring[:, many], axis=0)
        both, possible = weaker_of_two(light)
        seen = np.isfinite(light[:90]) & np.isfinite(light[90:])
        if not seen.any():
            return 0.0, math.nan
        level = float(np.median(both[seen]))
        spread = 1.4826 * float(np.median(np.abs(both[seen] - level)))
        # Noise of the median of n, from what neighbouring subs differ by.
        apart = float(np.nanmedian(np.abs(np.diff(ring, axis=0))))
        spread = max(spread, 1.25 * apart / math.sqrt(len(rays)), 1e-9)
        profiles.append((np.where(seen, (both - level) / spread, 0.0), (possible - level) / spread))
    seen, possible = np.max(profiles, axis=0)
    found = strongest_odd(seen, possible, NEAR_COLUMN_DEG)
    return found["odd_sigma"], found.get("odd_deg", math.nan)
