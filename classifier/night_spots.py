"""Dark spots that stay on the sensor through a run: dust, told from the sky of all subs.

    found = darkest_spot(maps, flip)
    found.depth_pct, found.sigma

Stars and nebulae move by dithering, and to the other side by a flip: what is dark in the first part
of the run and in the second lies on the sensor. Stars are cut down to little more than the sky, so
that they hide no shadow; a shadow is darker than the sky on all sides of it, and a dark corner is
not. What scatters the depths of all places, whatever it comes from, is what a spot is held against.
"""

import math
import warnings
from dataclasses import dataclass

import numpy as np
from scipy import fft

from classifier.night_slow_sky import slow_sky

Array = np.ndarray

LEAST_SUBS = 4
RADII = (1.5, 2.1, 3.0, 4.2, 6.0, 8.5, 12.0)  # cells
SIDES = 8  # quarters of the surroundings, each overlapping the next by half
LEAST_SIDES = 5  # of them in the frame
LEAST_INSIDE, LEAST_BESIDE = 0.6, 0.5  # share of a disc, and of a side, in the frame
LEAST_PLACES = 50


@dataclass(frozen=True)
class Spot:
    """depth_pct: how far the sky on its least bright side stands above it, percent of the sky, and
    sigma: over the scatter of all places; both of the part of the run that shows it less. x, y,
    radius: in cells of the maps."""

    depth_pct: float
    sigma: float
    x: int
    y: int
    radius: float


def darkest_spot(maps: Array, flip: int | None) -> Spot | None:
    """The spot that stands out most; None where subs or cells are too few.

    maps: (n, h, w) sky of the subs less its median, over its level; NaN where blank. flip: the
    first sub after a meridian flip.
    """
    if len(maps) < LEAST_SUBS:
        return None
    at = flip if flip is not None and 2 <= flip <= len(maps) - 2 else None
    parts = (maps[:at], maps[at:]) if at is not None else (maps[::2], maps[1::2])
    calm = [_calm(part) for part in parts]
    best = None
    for radius in RADII:
        if 4 * radius > min(maps.shape[1:]):
            break
        depths = np.array([_depths(sky, valid, radius) for sky, valid in calm])
        if np.isfinite(depths).all(0).sum() < LEAST_PLACES:
            continue
        usual = np.nanmedian(depths, axis=(1, 2), keepdims=True)
        spread = 1.4826 * np.nanmedian(np.abs(depths - usual), axis=(1, 2), keepdims=True)
        sigma = np.nan_to_num((depths / np.maximum(spread, 1e-9)).min(0), nan=-math.inf)
        y, x = np.unravel_index(int(sigma.argmax()), sigma.shape)
        if best is None or sigma[y, x] > best.sigma:
            depth = 100 * float(depths[:, y, x].min())
            best = Spot(depth, float(sigma[y, x]), int(x), int(y), radius)
    return best


def _calm(part: Array) -> tuple[Array, Array]:
    """(h, w) sky of a part of the run without what is larger than a mote, stars cut down to the
    noise above it, and bool where it is known."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # cells that are blank in every sub
        sky = np.nanmedian(part, axis=0)
    valid = np.isfinite(sky)
    sky = np.where(valid, sky, np.nanmedian(sky))
    flat = sky - slow_sky(sky, max(5, max(sky.shape) // 3) | 1)
    # Below the median there are no stars: a standard deviation of the sky alone.
    low, middle = np.quantile(flat[valid], (0.16, 0.5))
    return np.minimum(flat - middle, max(middle - low, 1e-9)), valid


def _depths(sky: Array, valid: Array, radius: float) -> Array:
    """(h, w) mean of the least bright of the sides less that of the disc round each cell; NaN where
    too little of both is seen."""
    disc, sides = _kernels(radius)
    reach = len(disc) // 2
    high, wide = sky.shape
    shape = [fft.next_fast_len(side + 2 * reach, real=True) for side in sky.shape]
    seen, light = (fft.rfft2(each, shape) for each in (valid.astype(float), sky * valid))

    def sums(transform: Array, kernel: Array) -> Array:
        turned = fft.rfft2(kernel[::-1, ::-1], shape)
        whole = fft.irfft2(transform * turned, shape)
        return whole[reach : reach + high, reach : reach + wide]

    weight = sums(seen, disc)
    inside = sums(light, disc) / np.maximum(weight, 1e-3)
    least, known = np.full(sky.shape, math.inf), np.zeros(sky.shape, int)
    for side in sides:
        beside = sums(seen, side)
        good = beside > LEAST_BESIDE * side.sum()
        level = sums(light, side) / np.maximum(beside, 1e-3)
        least = np.where(good, np.minimum(least, level), least)
        known += good
    unseen = (weight < LEAST_INSIDE * disc.sum()) | (known < LEAST_SIDES) | ~valid
    return np.where(unseen, math.nan, least - inside)


def _kernels(radius: float) -> tuple[Array, list[Array]]:
    """The disc within a shadow's edge, and quarters of the ring beyond it."""
    reach = math.ceil(2.0 * radius + 1.5)
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    away, turn = np.hypot(x, y), np.arctan2(y, x)
    ring = (away > 1.25 * radius + 0.6) & (away <= 2.0 * radius + 1.2)
    middles = np.arange(SIDES) * 2 * np.pi / SIDES
    quarters = [ring & (np.cos(turn - middle) > math.sqrt(0.5) - 1e-6) for middle in middles]
    return (away <= 0.85 * radius + 0.2).astype(float), [each.astype(float) for each in quarters]
