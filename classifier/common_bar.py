"""A bar across the aperture, told by all bright stars of all subs of a run together.

    rays = spike_rays(background, stars, fwhm_px)      # of every sub
    sigma, deg = common_bar(np.stack([...]))

The bar turns with the tube: its spikes have one direction on the sensor, at every star, in every
sub, before and after a flip, and hold the same share of the star's light. Neighbours that feign a
spike at one star are not at the others, noise that feigns one in a sub is not in the next. So
medians are taken: of the weaker of two opposite directions, over the stars of a sub, then over the
subs. A star near the edge shows one side of its spikes alone; where no star shows both, the side
that one sub shows is held against the other side in other subs, as a flip brings it into the frame.
`star_rays` tells what is a spike.
"""

import math

import numpy as np
from scipy import ndimage

from classifier.background import Background
from classifier.star_rays import (
    HALF,
    LEAST_PEAK,
    LEAST_SEEN,
    RINGS_FWHM,
    along_rings,
    rings_round,
    strongest_odd,
)
from classifier.sweeps import known_medians

Array = np.ndarray

MOST_STARS = 6
LEAST_LIGHT = 0.3  # of the brightest star's: in fainter ones noise hides the same share of light
BROAD = 8  # steps of 2 degrees to each side: light that is as broad is no spike's
LEAST_SUBS = 4
NEAR_COLUMN_DEG = 2.5  # of a run, whose directions are told more finely than a frame's
# A partner that a run shows so far above the scatter is one, however weak it is: neighbours and
# glare take from a vane's spikes. Where they draw a star's centre aside, its spikes' two ways are
# not in line, by so many steps to each side.
SURE_SIGMA, BENT = 3.0, 2
NONE = np.zeros((0, 3, HALF), np.float32)


def spike_rays(background: Background, stars: Array, fwhm_px: float) -> Array:
    """(2, 3, 90) float32 of one frame, (0, 3, 90) where no star can be asked: by ring (a short one
    and a long one), the light in the weaker of two opposite directions, in the one below 180
    degrees and in the other; in shares of the star's light, every 2 degrees from +x towards +y,
    less what is broad; the lower median of the bright stars that show it, NaN where none does.

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
    """(2, 3, 90) the same of one star in ADU; None if too little round it is in the frame."""
    found = []
    for ends in RINGS_FWHM:
        polar, is_inner, _ = rings_round(background, x, y, fwhm_px, ends)
        profile = along_rings(polar, is_inner)
        if np.isfinite(profile).mean() < LEAST_SEEN:
            return None
        light = profile - _broad(profile)
        ways = light[:HALF], light[HALF:]
        found.append((np.minimum(*ways), *ways))
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
    there is none. rays: (n, 2, 3, 90) of the subs of a run, see `spike_rays`."""
    if len(rays) < LEAST_SUBS:
        return 0.0, math.nan
    profiles = []
    for ring in rays.swapaxes(0, 1):
        weaker, *ways = _over_subs(ring)
        both = np.where(np.isfinite(weaker), weaker, np.minimum(*ways))
        either = np.where(np.isfinite(weaker), weaker, np.fmin(*ways))
        known = np.isfinite(both)
        if not known.any():
            return 0.0, math.nan
        level = float(np.median(both[known]))
        spread = 1.4826 * float(np.median(np.abs(both[known] - level)))
        # Noise of the median of n, from what neighbouring subs differ by.
        apart = float(np.nanmedian(np.abs(np.diff(ring[:, 1:], axis=0))))
        spread = max(spread, 1.25 * apart / math.sqrt(len(rays)), _below(np.array(ways)), 1e-9)
        both = np.where(known, (both - level) / spread, 0.0)
        either = np.nan_to_num((either - level) / spread, nan=math.inf)
        bent = (_bent(ways) - level) / spread
        profiles.append((both, np.where(bent > SURE_SIGMA, np.fmax(bent, either), either)))
    seen, possible = np.max(profiles, axis=0)
    found = strongest_odd(seen, possible, NEAR_COLUMN_DEG, SURE_SIGMA)
    return found["odd_sigma"], found.get("odd_deg", math.nan)


def _bent(ways: list[Array]) -> Array:
    """(90,) light of the weaker of two ways that need not be in line, NaN where neither is seen."""
    round_ = np.concatenate(ways)
    near = ndimage.maximum_filter1d(np.nan_to_num(round_, nan=-math.inf), 2 * BENT + 1, mode="wrap")
    near = np.where(np.isfinite(round_), near, math.nan)
    return np.fmin(near[:HALF], near[HALF:])


def _over_subs(ring: Array) -> Array:
    """(n, 3, 90) -> (3, 90) medians of what at least four subs show, NaN else."""
    many = np.isfinite(ring).sum(0) >= LEAST_SUBS
    light = np.full(many.shape, math.nan)
    light[many] = np.nanmedian(ring[:, many], axis=0)
    return light


def _below(light: Array) -> float:
    """Standard deviation told by what lies below 0: no spike does, noise and neighbours do."""
    light = light[np.isfinite(light)]
    return float(np.sqrt(2 * (np.minimum(light, 0.0) ** 2).mean())) if len(light) else 0.0
