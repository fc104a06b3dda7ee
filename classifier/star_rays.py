"""Light along the directions round the brightest star: the bar across the aperture that made it.

    pair = odd_pair(background, stars, fwhm_px)
    pair.deg, pair.sigma

`spikes` asks the typical bright star of one frame; this asks the brightest one alone, also near
the edge of the frame, because the subs of a run are held against one another afterwards
(`night_light_signs`). A bar sends light both ways at right angles to itself. Vanes come in a
pattern: two bars at 90 degrees or three at 60, about equally strong; a bar without such partners
belongs to no spider.
"""

import math
from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from classifier.background import Background, Window
from classifier.sweeps import known_medians

Array = np.ndarray

STEP_DEG = 2.0
HALF = int(180 / STEP_DEG)
FROM_FWHM = 4.5
# Ends of the inner and of the outer ring: of a short spike and of a long one.
RINGS_FWHM = ((6.5, 9.0), (7.0, 10.5))
LEAST_PX, LEAST_RING_PX = 8.0, 6.0
LEAST_SEEN = 1 / 3  # of all directions
LEAST_PEAK = 60.0  # of the noise: a fainter star has no spike worth the name
# Of the weaker side's profile. One star in three or so has a chance direction as strong as that; in
# the subs of a run it would have to be the same direction.
SEEN_SIGMA = 2.0
PARTNER = 0.4  # share of a bar's strength from which another may belong to the same spider
PARTNER_DEG = 5.0  # how far off the pattern
# Charge that runs over from a full pixel runs along its column.
COLUMN_DEG, NEAR_COLUMN_DEG = 90.0, 4.0


@dataclass(frozen=True)
class OddPair:
    """The strongest pair of spikes of the star at x_px, y_px that no regular spider makes.

    sigma: 0 without one. deg: its direction, 0 to 180 from +x towards +y, NaN without one.
    """

    sigma: float
    deg: float
    x_px: float
    y_px: float


def odd_pair(background: Background, stars: Array, fwhm_px: float) -> OddPair | None:
    """Of the brightest star of a frame; None where no star is bright enough or too little of its
    surroundings is in the frame. stars: as `find_stars` gives them."""
    if not (math.isfinite(fwhm_px) and fwhm_px > 0):
        return None
    for star in stars[:3]:
        if star["peak"] < LEAST_PEAK * background.noise_adu and not star["saturated"]:
            continue
        x, y = float(star["x"]), float(star["y"])
        profiles = [_two_sided(background, x, y, fwhm_px, ends) for ends in RINGS_FWHM]
        seen = [profile for profile in profiles if profile is not None]
        if seen:
            odd = strongest_odd(*np.max(seen, axis=0))
            return OddPair(odd["odd_sigma"], odd.get("odd_deg", math.nan), x, y)
    return None


def odd_bar(pair: OddPair | None) -> dict[str, float]:
    """Numbers of one frame: odd_sigma and odd_deg, which is absent where there is none, of
    `odd_pair`; empty where that is None."""
    if pair is None:
        return {}
    return {"odd_sigma": pair.sigma} | ({} if math.isnan(pair.deg) else {"odd_deg": pair.deg})


def _two_sided(
    background: Background, x: float, y: float, fwhm_px: float, ends: tuple[float, float]
) -> Array | None:
    """(2, 90) light in the weaker of two opposite directions, in sigma of the profile: 0 where one
    of them lies outside the frame; and the light that may be there: of the one that is seen,
    without bound where neither is."""
    polar, is_inner, window = rings_round(background, x, y, fwhm_px, ends)
    spread = 1.4826 * known_medians(np.abs(polar))[:, None]
    polar /= np.maximum(spread, 0.3 * window.noise_adu)
    profile = along_rings(polar, is_inner)
    if np.isfinite(profile).mean() < LEAST_SEEN:
        return None
    profile = profile - known_medians(profile)
    profile = profile / max(1.4826 * float(known_medians(np.abs(profile))), 1e-6)
    return weaker_of_two(profile)


def weaker_of_two(profile: Array) -> Array:
    """(180,) light round a star, NaN unseen -> (2, 90): in the weaker of two opposite directions, 0
    where one of them is not seen; and the light that may be there, without bound where neither is.
    """
    ways = profile[:HALF], profile[HALF:]
    both, either = np.minimum(*ways), np.fmin(*ways)
    return np.stack((np.nan_to_num(both, nan=0.0), np.nan_to_num(either, nan=np.inf)))


def rings_round(
    background: Background, x: float, y: float, fwhm_px: float, ends: tuple[float, float]
) -> tuple[Array, Array, Window]:
    """(radii, 180) light round a place less the median of its circle, every 2 degrees from +x
    towards +y, NaN outside the frame; (radii,) whether a circle is of the inner of the two rings
    that end at `ends` FWHM; the window it was read from."""
    window = _round_star(background, x, y)
    inner = max(FROM_FWHM * fwhm_px, LEAST_PX)
    middle = max(ends[0] * fwhm_px, inner + LEAST_RING_PX)
    outer = max(ends[1] * fwhm_px, middle + LEAST_RING_PX)
    radii = np.arange(inner, outer, 1.0)
    turn = np.deg2rad(np.arange(2 * HALF) * STEP_DEG)
    xs = x - window.x0 + radii[:, None] * np.cos(turn)
    ys = y - window.y0 + radii[:, None] * np.sin(turn)
    polar = ndimage.map_coordinates(
        window.light, [ys, xs], order=1, mode="constant", cval=math.nan, prefilter=False
    )
    polar[np.isfinite(polar).mean(1) < 0.5] = math.nan
    polar -= known_medians(polar)[:, None]
    return polar, radii < middle, window


def along_rings(polar: Array, is_inner: Array) -> Array:
    """(180,) light of the weaker ring, NaN where too little is in the frame. A spike is weak in
    each pixel and long, a neighbouring star strong and short: medians along the rings count."""
    return np.minimum(_along(polar[is_inner]), _along(polar[~is_inner]))


def _along(ring: Array) -> Array:
    """Median over the radii where at least half are in the frame, else NaN; smoothed by a step."""
    known = np.isfinite(ring).mean(0) >= 0.5
    light = np.where(known, known_medians(ring, axis=0), 0.0)
    weight = ndimage.gaussian_filter1d(known.astype(float), 1.0, mode="wrap")
    smooth = ndimage.gaussian_filter1d(light, 1.0, mode="wrap") / np.maximum(weight, 1e-6)
    return np.where(known, smooth, math.nan)


def _round_star(background: Background, x: float, y: float) -> Window:
    """The window that shows most round a star."""

    def room(window: Window) -> float:
        height, width = window.light.shape
        column, row = x - window.x0, y - window.y0
        return min(column, row, width - 1 - column, height - 1 - row)

    return max(background.windows, key=room)


def strongest_odd(
    both: Array,
    possible: Array,
    near_column_deg: float = NEAR_COLUMN_DEG,
    sure_sigma: float = math.inf,
) -> dict[str, float]:
    """See `OddPair`. both: (90,) light in the weaker of two opposite directions, in sigma.
    possible: light that may be there, as far as the frame shows: a cross near the frame's edge has
    lost one of its arms. near_column_deg: as far from the column light is taken for its charge.
    sure_sigma: light that is surely there is a partner, however weak beside the bar."""
    peaks, partners = (
        np.flatnonzero(light >= ndimage.maximum_filter1d(light, 3, mode="wrap"))
        for light in (both, possible)
    )
    best, direction = 0.0, math.nan
    for k in peaks[both[peaks] > SEEN_SIGMA]:
        deg = STEP_DEG * (float(k) + _beside(both[k - 1], both[k], both[(k + 1) % HALF]))
        # The other bar of a cross, or the two others of three.
        at60, at90, at120 = (_strength(possible, partners, deg + by) for by in (60.0, 90.0, 120.0))
        least = min(PARTNER * both[k], sure_sigma)
        regular = at90 > least or min(at60, at120) > least
        if not regular and abs(deg - COLUMN_DEG) > near_column_deg and both[k] > best:
            best, direction = float(both[k]), float(deg)
    return {"odd_sigma": best} | ({} if math.isnan(direction) else {"odd_deg": direction % 180.0})


def _beside(before: float, top: float, after: float) -> float:
    """How far beside the highest of three values a parabola through them has its top."""
    bend = before - 2 * top + after
    return 0.5 * (before - after) / bend if bend < 0 else 0.0


def _strength(light: Array, peaks: Array, deg: float) -> float:
    """The strongest peak within PARTNER_DEG of a direction, 0 if there is none."""
    away = np.abs((peaks * STEP_DEG - deg + 90.0) % 180.0 - 90.0)
    return float(light[peaks[away <= PARTNER_DEG]].max(initial=0.0))
