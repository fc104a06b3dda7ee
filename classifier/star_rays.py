"""Light along the directions round the brightest star: the bar across the aperture that made it.

    bar = odd_bar(background, stars, fwhm_px)
    bar["odd_deg"], bar["odd_sigma"]

`spikes` asks the typical bright star of one frame; this asks the brightest one alone, also near
the edge of the frame, because the subs of a run are held against one another afterwards
(`night_light_signs`). A bar sends light both ways at right angles to itself. Vanes come in a
pattern: two bars at 90 degrees or three at 60, about equally strong; a bar without such partners
belongs to no spider.
"""

import math

import numpy as np
from scipy import ndimage

from classifier.background import Background, Window

Array = np.ndarray

STEP_DEG = 2.0
HALF = int(180 / STEP_DEG)
FROM_FWHM, TO_FWHM, MOST_PX = 4.5, 16.0, 120.0
LEAST_ROWS = 9
LEAST_PEAK = 60.0  # of the noise: a fainter star has no spike worth the name
# Of the weaker side's profile. What is no bar stays below 1 there, because it would have to lie on
# both sides of the star and in both rings.
SEEN_SIGMA = 3.3
PARTNER = 0.4  # share of a bar's strength from which another may belong to the same spider
REACH_DEG = 6.0
# Charge that runs over from a full pixel runs along its column.
COLUMN_DEG, NEAR_COLUMN_DEG = 90.0, 4.0


def odd_bar(background: Background, stars: Array, fwhm_px: float) -> dict[str, float]:
    """Numbers of one frame; empty where no star is bright enough or too little of its
    surroundings is in the frame.

    odd_sigma: strength of the strongest pair of spikes that no regular spider makes, 0 if there
    is none; odd_deg: its direction, 0 to 180 from +x towards +y, absent if there is none.
    stars: as `find_stars` gives them.
    """
    if not (math.isfinite(fwhm_px) and fwhm_px > 0):
        return {}
    for star in stars[:3]:
        if star["peak"] < LEAST_PEAK * background.noise_adu and not star["saturated"]:
            continue
        both = _two_sided(background, float(star["x"]), float(star["y"]), fwhm_px)
        if both is not None:
            return _strongest_odd(both)
    return {}


def _two_sided(background: Background, x: float, y: float, fwhm_px: float) -> Array | None:
    """(90,) light in the weaker of two opposite directions, in sigma of the profile."""
    window = _round_star(background, x, y)
    inner = max(FROM_FWHM * fwhm_px, 8.0)
    outer = min(max(TO_FWHM * fwhm_px, 24.0), max(MOST_PX, 2 * inner))
    radii = np.arange(inner, outer, 1.0)
    turn = np.deg2rad(np.arange(2 * HALF) * STEP_DEG)
    xs = x - window.x0 + radii[:, None] * np.cos(turn)
    ys = y - window.y0 + radii[:, None] * np.sin(turn)
    polar = ndimage.map_coordinates(
        window.light, [ys, xs], order=1, mode="constant", cval=math.nan, prefilter=False
    )
    good = np.isfinite(polar)
    rows = good.mean(1) > 0.6
    if rows.sum() < LEAST_ROWS:
        return None
    polar = polar[rows]
    polar = polar - np.nanmedian(polar, axis=1, keepdims=True)
    spread = 1.4826 * np.nanmedian(np.abs(polar), axis=1, keepdims=True)
    polar = polar / np.maximum(spread, 0.3 * window.noise_adu)
    known = np.isfinite(polar)
    smooth = ndimage.gaussian_filter(
        np.clip(np.where(known, polar, 0.0), -3, 8), (2, 1), mode=("nearest", "wrap")
    )
    # A spike is weak in each pixel and long, a neighbouring star is strong and short: the weaker
    # of two rings counts, and in each no pixel for more than 3 sigma.
    smooth = np.where(known, np.minimum(smooth, 3.0), math.nan)
    third = max(LEAST_ROWS // 3, len(smooth) // 3)
    rings = [_mean(smooth[:third]), _mean(smooth[third : 2 * third])]
    profile = np.minimum(*rings)
    profile = profile - np.nanmedian(profile)
    profile = profile / max(1.4826 * float(np.nanmedian(np.abs(profile))), 1e-6)
    weaker = np.minimum(profile[:HALF], profile[HALF:])
    return np.where(np.isfinite(weaker), weaker, 0.0)


def _mean(ring: Array) -> Array:
    """Mean over the radii where at least half are in the frame, else NaN."""
    known = np.isfinite(ring)
    total = np.where(known, ring, 0.0).sum(0) / np.maximum(known.sum(0), 1)
    return np.where(known.mean(0) >= 0.5, total, math.nan)


def _round_star(background: Background, x: float, y: float) -> Window:
    """The window that shows most round a star."""

    def room(window: Window) -> float:
        height, width = window.light.shape
        column, row = x - window.x0, y - window.y0
        return min(column, row, width - 1 - column, height - 1 - row)

    return max(background.windows, key=room)


def _strongest_odd(both: Array) -> dict[str, float]:
    reach = round(REACH_DEG / STEP_DEG)
    around = ndimage.maximum_filter1d(both, 2 * reach + 1, mode="wrap")
    best, direction = 0.0, math.nan
    for k in np.flatnonzero((both >= around) & (both > SEEN_SIGMA)):
        deg = float(k * STEP_DEG)
        partner = {by: float(around[(k + round(by / STEP_DEG)) % HALF]) for by in (60, 90, 120)}
        least = PARTNER * both[k]
        regular = partner[90] > least or min(partner[60], partner[120]) > least
        if not regular and abs(deg - COLUMN_DEG) > NEAR_COLUMN_DEG and both[k] > best:
            best, direction = float(both[k]), deg
    return {"odd_sigma": best} | ({} if math.isnan(direction) else {"odd_deg": direction})
