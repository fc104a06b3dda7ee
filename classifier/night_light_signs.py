"""Signs of a run that show in its light: lost by the stars, added to the sky, crossing the frame.

    signs = light_signs(line)
    signs["loss_top"], signs["slope_top"], signs["moon_sky"]

Each sign is one number about the whole run; NaN where what it needs is unknown.
"""

import math

import numpy as np
from scipy import ndimage, stats

from classifier.fixed_lines import without_fixed
from classifier.lost_light import EXTINCTION_MAG
from classifier.night_line import NightLine
from classifier.night_standing import median_map, sky_maps, standing_signs
from classifier.night_trend import correlation, eases, find_spell, known, smoothness

Array = np.ndarray

# One sub in twenty is crossed on any night (common practice). A body at 550 km leaves the Sun's
# light overhead with the Sun 23 degrees down, low in its direction 10 to 15 later.
ORDINARY_TRAILS, LIT_SUN_DEG = 0.05, (-28.0, -38.0)
# A sky that towns light is a third brighter at two airmasses (common practice).
SKY_AIRMASS = 0.35


def light_signs(line: NightLine) -> dict[str, float]:
    """See the functions below for what each means."""
    return (
        _loss(line)
        | _sky(line)
        | _slope(line)
        | _moon(line)
        | standing_signs(line)
        | _passing(line)
    )


def _thirds(values: Array) -> tuple[float, float]:
    third = max(2, len(values) // 3)
    return float(np.median(values[:third])), float(np.median(values[-third:]))


def _growth(values: Array) -> float:
    first, last = _thirds(known(values)[0])
    return last - first


def _airmass(line: NightLine) -> Array:
    return np.where(np.isfinite(line.of["airmass"]), line.of["airmass"], 1.0)


def _loss(line: NightLine) -> dict[str, float]:
    """Magnitudes lost beyond what the airmass takes: loss_top (nine tenths less a tenth),
    loss_sigma (the same over what errors alone make), loss_peak (the same of the worst twentieth,
    for clouds that were soon gone), loss_growth (last third less first), loss_recovers (1: the run
    ends clear), loss_eases (1: it was clear again at some time), loss_smooth, loss_trend,
    loss_patchy (85 % quantile of the rms over the field), count_fall: stars fewer
    in the poorest tenth than in the richest, powers of two."""
    airmass, thick = line.of["airmass"], _airmass(line)
    loss = line.of["veil_mag"] - EXTINCTION_MAG * (thick - thick.min())
    (seen,) = known(loss)
    signs: dict[str, float] = {}
    counts = np.maximum(line.of["star_count"], 1)
    if np.isfinite(counts).sum() >= 4:
        low, high = np.nanquantile(np.log2(counts), (0.1, 0.9))
        signs["count_fall"] = float(high - low)
    if len(seen) < 4:
        return signs
    low, high = np.quantile(seen, (0.1, 0.9))
    first, last = _thirds(seen)
    (patchy,) = known(line.of["patchy_mag"])
    (error,) = known(line.of["loss_error_mag"])
    if len(error):
        # A tenth to nine tenths of nothing but normal errors are 2.56 of them.
        signs["loss_sigma"] = float(high - low) / max(2.56 * float(np.median(error)), 1e-6)
    return signs | {
        "loss_top": float(high - low),
        "loss_peak": float(np.quantile(seen, 0.95) - low),
        "loss_growth": last - first,
        "loss_recovers": float(np.clip((high - last) / max(high - low, 0.05), 0, 1)),
        "loss_eases": eases(seen),
        "loss_smooth": smoothness(loss),
        "loss_trend": correlation(line.hours, loss),
        "loss_airmass": correlation(airmass, line.of["lost_mag"]),
        "loss_patchy": float(np.quantile(patchy, 0.85)) if len(patchy) else math.nan,
        "unmatched": 1 - len(seen) / len(line),
    }


def sky_in_electrons(line: NightLine) -> bool:
    """Whether the sky of nearly all subs is known in electrons per second."""
    return bool(np.isfinite(line.of["sky_e_per_s"]).mean() >= 0.8)


def sky_level(line: NightLine) -> Array:
    """Sky of every sub: electrons per second where known, else ADU as stored; not above 0: NaN."""
    sky = line.of["sky_e_per_s" if sky_in_electrons(line) else "sky_adu"]
    return np.where(sky > 0, sky, np.nan)


def _sky(line: NightLine) -> dict[str, float]:
    """sky_range: nine tenths over a tenth, powers of two; sky_growth; sky_rise, the growth beyond
    what the airmass adds; sky_airmass, sky_loss,
    sky_sun: rank correlations. airmass_top, airmass_growth; altitude_least_deg."""
    sky = np.log2(sky_level(line))
    (seen,) = known(sky)
    signs: dict[str, float] = {}
    if len(seen) >= 4:
        low, high = np.quantile(seen, (0.1, 0.9))
        first, last = _thirds(seen)
        signs |= {
            "sky_range": float(high - low),
            "sky_growth": last - first,
            "sky_rise": _growth(sky - np.log2(1 + SKY_AIRMASS * (_airmass(line) - 1))),
            "sky_airmass": correlation(line.of["airmass"], sky),
            "sky_loss": correlation(line.of["lost_mag"], sky),
            "sky_smooth": smoothness(sky),
        }
    (airmass,) = known(line.of["airmass"])
    if len(airmass):
        signs |= {"airmass_top": float(airmass.max()), "airmass_range": float(np.ptp(airmass))}
    return signs


def _slope(line: NightLine) -> dict[str, float]:
    """Of the sky's slope over the frame, percent: slope_typical, slope_top, slope_range,
    slope_trend, slope_airmass, slope_sky (with the sky's level), slope_smooth. slope_switch: how
    clearly it has two levels, on and off; slope_spell: what one spell of another level explains;
    slope_steady: 1 if it always points the same way in
    the sensor's frame; slope_down: 1 towards the horizon, -1 towards the zenith; slope_ground:
    1 towards one and the same place on the horizon; slope_steep:
    how much more it rises at its bright end than a plane does."""
    slope, way = line.of["gradient_pct"], np.deg2rad(line.of["gradient_deg"])
    seen, turns = known(slope, way)
    if len(seen) < 4:
        return {}
    low, high = np.quantile(seen, (0.1, 0.9))
    vector = seen * np.exp(1j * turns)
    signs = {
        "slope_typical": float(np.median(seen)),
        "slope_top": float(high),
        "slope_range": float(high - low),
        "slope_trend": correlation(line.hours, slope),
        "slope_airmass": correlation(line.of["airmass"], slope),
        "slope_sky": correlation(sky_level(line), slope),
        "slope_smooth": smoothness(slope),
        "slope_switch": _two_levels(seen),
        "slope_steady": float(abs(vector.sum()) / max(np.abs(vector).sum(), 1e-9)),
        "slope_steep": _steep(line, slope),
    }
    spell = find_spell(seen)
    if spell is not None:
        signs["slope_spell"] = spell[2]
    if "zenith_angle_deg" in line.of:
        down = line.to_sky_deg(line.of["gradient_deg"]) - line.of["zenith_angle_deg"] - 180
        signs["slope_down"] = _mean_cosine(slope, down)
        signs["slope_ground"] = _to_one_place(line, slope)
    if "moon_angle_deg" in line.of:
        away = line.to_sky_deg(line.of["gradient_deg"]) - line.of["moon_angle_deg"]
        up = line.of["moon_altitude_deg"] > 0
        signs["slope_moon"] = _mean_cosine(np.where(up, slope, 0.0), away)
    return signs


def _to_one_place(line: NightLine, slope: Array) -> float:
    """1 if the slope points to one place on the horizon all night, wherever the target stood.

    From a target at altitude a, a place on the horizon in azimuth A further than it lies in the
    direction atan2(sin A, -sin a cos A), from the zenith towards growing azimuth (spherical
    triangle of zenith, target and place); that is against the sense of position angles.
    """
    place = np.deg2rad(np.arange(0.0, 360.0, 5.0))[:, None]
    beyond = place - np.deg2rad(line.of["azimuth_deg"])
    altitude = np.deg2rad(line.of["altitude_deg"])
    turn = np.rad2deg(np.arctan2(np.sin(beyond), -np.sin(altitude) * np.cos(beyond)))
    seen = line.to_sky_deg(line.of["gradient_deg"])
    away = seen - (line.of["zenith_angle_deg"] - turn)
    return max(_mean_cosine(slope, each) for each in away)


def _mean_cosine(weight: Array, angle_deg: Array) -> float:
    weight, angle = known(weight, angle_deg)
    total = float(weight.sum())
    return float((weight * np.cos(np.deg2rad(angle))).sum() / total) if total > 0 else 0.0


def _two_levels(values: Array) -> float:
    """Share of the variance between the best two groups of values, 0.64 for even spread."""
    ordered = np.sort(values)
    if np.ptp(ordered) == 0:
        return 0.0
    best = 0.0
    for cut in range(2, len(ordered) - 1):
        low, high = ordered[:cut], ordered[cut:]
        inside = low.var() * len(low) + high.var() * len(high)
        best = max(best, 1 - inside / (ordered.var() * len(ordered)))
    return float(best)


def _steep(line: NightLine, slope: Array) -> float:
    """Bright subs less even ones: how far the brightest part stands above the middle over how far
    the darkest lies below; 1 for a plane."""
    maps = sky_maps(line)
    if maps is None:
        return math.nan
    order = np.argsort(np.where(np.isfinite(slope), slope, np.nanmedian(slope)))
    part = max(2, len(order) // 4)
    extra = median_map(maps[order[-part:]]) - median_map(maps[order[:part]])
    extra = ndimage.uniform_filter(np.nan_to_num(extra), max(1, min(extra.shape) // 8))
    low, middle, high = np.quantile(extra, (0.02, 0.5, 0.98))
    return float((high - middle) / max(middle - low, 1e-6 + 0.05 * (high - low)))


def _moon(line: NightLine) -> dict[str, float]:
    """moon_rises, moon_sets: 1 if it does during the run. moon_sky: sky with the Moon up over
    sky with it down, powers of two, 0 if it never is up; moon_follows: rank correlation of the
    sky with the Moon's altitude while it is up. moon_lit. sun_top_deg: the Sun's greatest
    altitude."""
    altitude = line.of.get("moon_altitude_deg")
    if altitude is None:
        return {}
    up = altitude > -0.5
    sky = np.log2(sky_level(line))
    signs = {
        "moon_rises": float(up[-1] and not up[0]),
        "moon_sets": float(up[0] and not up[-1]),
        "moon_up": float(up.mean()),
        "moon_lit": float(line.of["moon_lit"].mean()),
        "moon_follows": correlation(np.maximum(altitude, -0.5), sky),
        "sun_top_deg": float(line.of["sun_altitude_deg"].max()),
    }
    if not up.any():
        signs["moon_sky"] = 0.0
    elif not up.all():
        signs["moon_sky"] = float(np.nanmedian(sky[up]) - np.nanmedian(sky[~up]))
    return signs


def _passing(line: NightLine) -> dict[str, float]:
    """trail_share: subs with a trail; trails_per_h of exposure; trail_dusk: rank correlation with
    the Sun's altitude. trail_odds: how unlikely so many crossings are by chance while satellites
    are sunlit, or in the whole run where the Sun is unknown; minus its decimal logarithm.
    trail_lit: share of the subs that are crossed then: it does not grow with their number."""
    # What lies there night-long crossed nothing.
    trails = without_fixed([sub.measures.evidence["trail"] for sub in line.subs])
    states = np.array([trail.state == "yes" for trail in trails])
    states |= np.array(["trail" in sub.faults for sub in line.subs])
    exposure_s = sum(sub.facts.exposure_s or 0.0 for sub in line.subs)
    count = sum(len(trail.where) for trail, hit in zip(trails, states, strict=True) if hit)
    sun = line.of.get("sun_altitude_deg")
    lit = [states] if sun is None else [states[sun > least] for least in LIT_SUN_DEG]
    odds, share = max((_odds(each), float(each.mean()) if len(each) else 0.0) for each in lit)
    return {
        "trail_share": float(states.mean()),
        "trails_per_h": 3600 * count / exposure_s if exposure_s else math.nan,
        "trail_dusk": 0.0 if sun is None else correlation(sun, states.astype(float)),
        "trail_odds": odds,
        "trail_lit": share,
    }


def _odds(hit: Array) -> float:
    chance = stats.binom.sf(int(hit.sum()) - 1, len(hit), ORDINARY_TRAILS) if len(hit) else 1.0
    return float(-np.log10(max(chance, 1e-12)))
