"""Discs of stray light that come back in every sub of a run.

    share = ghost_step_pct(maps, flip)

The sky of the subs is laid over one another in the sensor's frame, where a ghost moves by no more
than the dithering; so a faint one stands out that no single sub shows. Stars are taken out by
what they are: narrower than any ghost. A disc counts if it has an edge and if two parts of the
run, on the two sides of the flip where there is one, show the like of it.
"""

import warnings

import numpy as np
from scipy import ndimage

from classifier.background import SkyPicture
from classifier.discs import Disc, find_edged

Array = np.ndarray

LEAST_SUBS = 6
SMALLEST, LEAST_SIGMA = 4.5, 3.5  # cells; of the search's own filter, on the sky without stars
STAR = 2.3  # cells: radius of what passes for a star
# The like of it: the same size within the steps of the search, about as bright.
RADII_ALIKE, STEPS_ALIKE = 1.35, 2.5


def ghost_step_pct(maps: Array, flip: int | None) -> float:
    """How far the brightest disc that both parts of a run show stands above the sky, percent of
    it; 0 where there is none.

    maps: (n, h, w) sky of the subs less its median, over its level; NaN where blank. flip: the
    first sub after a meridian flip.
    """
    if len(maps) < LEAST_SUBS or min(maps.shape[1:]) < 24:
        return 0.0
    at = flip if flip is not None and 3 <= flip <= len(maps) - 3 else None
    parts = (maps[:at], maps[at:]) if at is not None else (maps[::2], maps[1::2])
    first, second = (_discs(part) for part in parts)
    alike = [min(a.step_adu, b.step_adu) for a in first for b in second if _is_like(a, b)]
    return 100 * max(alike, default=0.0)


def _discs(maps: Array) -> list[Disc]:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # cells that are blank in every sub
        sky = np.nanmedian(maps, axis=0)
    valid = np.isfinite(sky)
    sky = np.where(valid, sky, np.nanmedian(sky)).astype(np.float32)
    sky -= ndimage.median_filter(sky, size=max(5, max(sky.shape) // 2) | 1)
    noise = 1.4826 / 2**0.5 * float(np.median(np.abs(np.diff(sky, axis=1))))
    y, x = np.mgrid[-2:3, -2:3]
    opened = ndimage.grey_opening(
        ndimage.gaussian_filter(sky, 0.6), footprint=np.hypot(x, y) < STAR
    )
    picture = SkyPicture(sky, valid, 1, sky, 1, 0, 0, noise)
    return find_edged(opened, picture, SMALLEST, LEAST_SIGMA)


def _is_like(a: Disc, b: Disc) -> bool:
    radii, steps = sorted((a.radius, b.radius)), sorted((a.step_adu, b.step_adu))
    return radii[1] <= RADII_ALIKE * radii[0] and steps[1] <= STEPS_ALIKE * steps[0]
