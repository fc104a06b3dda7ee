"""Signs of a run that show in its stars: stretched, swollen, jumping, turning.

    signs = star_signs(line)
    signs["stretch_steady"], signs["swell_ambient"]

Each sign is one number about the whole run; NaN where what it needs is unknown. The causes in
`night_causes` are told by them.
"""

import math

import numpy as np

from classifier.night_focus import focus_course, focus_spell
from classifier.night_line import NightLine
from classifier.night_sway import short_way, sway_signs
from classifier.night_trend import correlation, eases, find_step, known, smoothness, trend

Array = np.ndarray

STRETCHED, QUIET = 1.2, 1.13  # elongation of a sub that counts as stretched; as round
# Optics lengthen the stars of every sub: so much more than the best tenth is round too.
AS_QUIET = 1.05


def star_signs(line: NightLine) -> dict[str, float]:
    """See the functions below for what each means."""
    return _stretch(line) | _turning(line) | _swelling(line) | _jumps(line)


def _stretch(line: NightLine) -> dict[str, float]:
    """stretch_typical, stretch_top, stretch_peak: elongation less 1, median, 85 and 95 %
    quantile. stretched_share, quiet_share: subs longer than 1.2, rounder than 1.13.
    stretch_steady: 1 if all subs are stretched the same way in the sensor's frame; stretch_side:
    the same on each side of the flip. stretch_flip: change of the stretch at the flip over its
    size. stretch_uneven: scatter of its size over its mean. stretch_smooth, stretch_trend: its
    course; stretch_lost: rank correlation with the light lost; stretch_cloud: mean loss of the
    stretched subs less that of the round ones. along_ra: 1 along right ascension, -1 along
    declination. lobed, lopsided: form of the stretched subs.
    sway_...: see `night_sway`. flip_onset: growth of the elongation at the flip. frames_shake,
    frames_drift: share of single frames that measure so."""
    elongation = line.of["elongation"]
    shape = line.of["e1"] + 1j * line.of["e2"]
    size = np.abs(shape)
    good = np.isfinite(size)
    names = ("stretch_typical", "stretch_top", "stretched_share", "quiet_share")
    signs = dict.fromkeys(names, math.nan)
    if good.sum() < 4:
        return signs
    seen = elongation[good]
    signs |= {
        "stretch_typical": float(np.median(seen)) - 1,
        "stretch_top": float(np.quantile(seen, 0.85)) - 1,
        "stretch_peak": float(np.quantile(seen, 0.95)) - 1,
        "stretched_share": float((seen >= STRETCHED).mean()),
        "quiet_share": float((seen < _quiet(seen)).mean()),
        "stretch_steady": _steady(shape[good]),
        "stretch_uneven": float(size[good].std() / max(size[good].mean(), 1e-6)),
        "stretch_smooth": smoothness(size),
        "stretch_trend": correlation(line.hours, size),
    }
    signs |= sway_signs(line)
    signs["stretch_lost"] = correlation(line.of["veil_mag"], size)
    lost, long = line.of["veil_mag"], elongation >= STRETCHED
    hit, round_ = (np.isfinite(lost) & which for which in (long, elongation < _quiet(seen)))
    if hit.any() and round_.any():
        signs["stretch_cloud"] = float(lost[hit].mean() - lost[round_].mean())
    signs |= _at_flip(line, shape, good)
    along = 2 * np.deg2rad(line.to_sky_deg(line.of["angle_deg"]) - 90.0)
    sky = good & np.isfinite(along)
    if sky.sum() >= 4:
        signs["along_ra"] = float((size * np.cos(along))[sky].sum() / max(size[sky].sum(), 1e-6))
    long = good & (elongation >= STRETCHED)
    for name, column in (("lobed", "lobes"), ("lopsided", "asymmetry")):
        (values,) = known(line.of[column][long])
        signs[name] = float(np.median(values)) if len(values) else 0.0
    for name, key in (("frames_shake", "vibration"), ("frames_drift", "drift")):
        signs[name] = line.evidence(key).count("yes") / len(line)
    return signs


def _quiet(elongation: Array) -> float:
    """The elongation below which a sub of the run passes for round."""
    best = AS_QUIET * float(np.quantile(elongation, 0.1))
    return min(max(QUIET, best), STRETCHED)


def _steady(shape: Array) -> float:
    total = float(np.abs(shape).sum())
    return float(abs(shape.sum())) / total if total > 0 else 0.0


def _at_flip(line: NightLine, shape: Array, good: Array) -> dict[str, float]:
    at = line.flip
    if at is None:
        return {"has_flip": 0.0, "stretch_side": _steady(shape[good])}
    after = np.arange(len(line)) >= at
    parts = [shape[good & ~after], shape[good & after]]
    if min(len(part) for part in parts) < 3:
        return {"has_flip": 0.0, "stretch_side": _steady(shape[good])}
    weights = [float(np.abs(part).sum()) for part in parts]
    steady = [w * _steady(part) for w, part in zip(weights, parts, strict=True)]
    side = sum(steady) / max(sum(weights), 1e-9)
    means = [complex(np.median(part.real), np.median(part.imag)) for part in parts]
    size = max(abs(means[0]), abs(means[1]), 1e-6)
    typical = [float(np.median(np.abs(part))) for part in parts]
    return {
        "has_flip": 1.0,
        "stretch_side": side,
        "stretch_flip": abs(means[1] - means[0]) / size,
        "flip_onset": (typical[1] - typical[0]) / max(typical[0] + typical[1], 1e-6),
    }


def _turning(line: NightLine) -> dict[str, float]:
    """turned_deg: turn of the field over the run; turned_sigma: over the scatter about a line."""
    turns = line.of["turn_deg"]
    hours, seen = known(line.hours, turns)
    found = trend(hours, seen)
    if found is None:
        return {"turned_deg": math.nan, "turned_sigma": math.nan}
    total = abs(found.slope) * float(np.ptp(hours))
    (errors,) = known(line.of["turn_error_deg"])
    error = max(float(np.median(errors)), 1e-3)
    width = max((found.high - found.low) * float(np.ptp(hours)) / 4, error / 4)
    return {"turned_deg": total, "turned_sigma": total / width, "turn_deg_per_h": found.slope}


def _swelling(line: NightLine) -> dict[str, float]:
    """Of the half-flux radius at the zenith, HFR / airmass^0.6, in powers of two:

    swell: from its tenth to its nine tenths; thick: the same of the stars' short way. growth:
    from the first to the last third. recovers: 1 if the run ends as sharp as it ever was; eases:
    1 if at some time it became as sharp after having been as soft as it ever was. swell_smooth,
    swell_ambient (size of the rank correlation with the air's or tube's temperature), swell_fit
    (what a parabola in temperature explains), focus_fit (what a focus explains that runs away
    with it between settings: `night_focus`), swell_hours, swell_airmass, swell_lost (with the
    light lost), swell_stretch: its course and company. step_share, step_sigma, step_size: its
    one change of level; block_share, block_sigma: what one spell out of focus explains, which
    may last to the end, and how surely (`night_focus`). flat: concentration of the widest
    quarter over that of the sharpest; holes: 85 % quantile of the central dip; frames_defocus:
    share of single frames that measure so. halo, halo_growth: see `star_form`. wide_arcsec:
    median FWHM."""
    airmass = np.where(np.isfinite(line.of["airmass"]), line.of["airmass"], 1.0)
    size = np.log2(line.of["hfr_px"] / airmass**0.6)
    warm = line.of["ambient_c"]
    if not np.isfinite(warm).any():
        warm = line.of["temperature_c"]
    (seen,) = known(size)
    if len(seen) < 4:
        return {"swell": math.nan}
    (thick,) = known(short_way(line))
    low, high = np.quantile(seen, (0.1, 0.9))
    third = max(2, len(seen) // 3)
    top = float(np.sort(seen)[-3:].mean())
    last = float(np.median(seen[-3:]))
    signs = {
        "swell": float(high - low),
        "thick": float(np.quantile(thick, 0.9) - np.quantile(thick, 0.1)) if len(thick) else 0.0,
        "growth": float(np.median(seen[-third:]) - np.median(seen[:third])),
        "recovers": float(np.clip((top - last) / max(top - low, 0.05), 0, 1)),
        "eases": eases(seen),
        "swell_smooth": smoothness(size),
        "swell_ambient": abs(correlation(warm, size)),
        "swell_fit": _parabola_share(warm, size),
        "focus_fit": focus_course(warm, 2**size)[0],
        "swell_hours": correlation(line.hours, size),
        "swell_airmass": correlation(line.of["airmass"], line.of["hfr_px"]),
        "swell_lost": correlation(line.of["veil_mag"], size),
        "swell_stretch": correlation(line.of["elongation"], size),
        "frames_defocus": line.evidence("defocus").count("yes") / len(line),
        "wide_arcsec": float(np.nanmedian(line.of["fwhm_arcsec"]))
        if np.isfinite(line.of["fwhm_arcsec"]).any()
        else math.nan,
    }
    signs["block_share"], signs["block_sigma"] = focus_spell(line.of["hfr_px"], airmass)
    step = find_step(size, least=2)
    if step is not None:
        signs |= {"step_share": step.share, "step_sigma": step.sigma, "step_size": step.size}
    signs |= _form(line, size)
    return signs


def _form(line: NightLine, size: Array) -> dict[str, float]:
    order, form = known(size, line.of["concentration"])
    quarter = max(2, len(order) // 4)
    signs = {}
    if len(order) >= 2 * quarter:
        sorted_form = form[np.argsort(order)]
        signs["flat"] = float(np.median(sorted_form[-quarter:]) / np.median(sorted_form[:quarter]))
    (dips,) = known(line.of["dip"])
    signs["holes"] = float(np.quantile(dips, 0.85)) if len(dips) else 0.0
    (halo,) = known(line.of["halo"])
    if len(halo) >= 4:
        third = max(2, len(halo) // 3)
        signs["halo"] = float(np.median(halo))
        signs["halo_growth"] = float(np.median(halo[-third:]) - np.median(halo[:third]))
        signs["halo_hours"] = correlation(line.hours, line.of["halo"])
        signs["halo_lost"] = correlation(line.of["lost_mag"], line.of["halo"])
    return signs


def _parabola_share(x: Array, y: Array) -> float:
    """Share of the variance of y that a parabola in x explains."""
    x, y = known(x, y)
    if len(x) < 6 or np.ptp(x) == 0 or np.ptp(y) == 0:
        return 0.0
    left = y - np.polyval(np.polyfit(x - x.mean(), y, 2), x - x.mean())
    return float(max(0.0, 1 - left.var() / y.var()))


def _jumps(line: NightLine) -> dict[str, float]:
    """jump_share: subs whose stars show several images, or are long and lopsided. jump_cloud:
    light lost in them less that in the others, magnitudes. jump_flip: share after the flip less
    that before."""
    states = np.array(line.evidence("guiding_loss"))
    lopsided = (line.of["elongation"] >= 1.25) & (line.of["asymmetry"] > 0.25)
    jumps = (states == "yes") | lopsided | ((line.of["lobes"] > 0.08) & (states == "unknown"))
    signs = {"jump_share": float(jumps.mean()), "frames_jump": float((states == "yes").mean())}
    lost = line.of["veil_mag"]
    seen = np.isfinite(lost)
    if (jumps & seen).any() and (~jumps & seen).any():
        signs["jump_cloud"] = float(np.nanmedian(lost[jumps]) - np.nanmedian(lost[~jumps]))
    at = line.flip
    if at is not None and 0 < at < len(line):
        signs["jump_flip"] = float(jumps[at:].mean() - jumps[:at].mean())
    return signs
