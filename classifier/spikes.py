"""Diffraction spikes of the brightest stars, and whether a regular spider can have made them.

A straight bar across the pupil makes two opposite spikes of equal length. Two bars at right
angles (four vanes) make four spikes at 90 degrees, three vanes make six at 60 degrees, one bar
two. Whatever does not fit such a pattern, by angle or by strength, is odd.
"""

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from classifier.background import Background
from classifier.bilinear import between
from classifier.sweeps import median, medians

Array = np.ndarray

FROM_FWHM, TO_FWHM = 6.0, 18.0
STEP_DEG = 2.0
MAX_STARS = 8
VISIBLE_SIGMA = 5.0  # of the azimuthal profile: 90 directions are tried, 3 sigma is common there


@dataclass(frozen=True)
class Spikes:
    """bars_deg: direction (mod 180) of every bar seen; strength: sigma of each; lopsided: for
    each, the share by which one side outshines the other. best: strongest profile peak in sigma,
    seen or not. stars: x, y of those used. odd: whether the bars fit no regular spider; None
    where a single bar leaves it open."""

    bars_deg: tuple[float, ...]
    strength: tuple[float, ...]
    best: float
    stars: tuple[tuple[float, float], ...]
    odd: bool | None


def find_spikes(background: Background, stars: Array, fwhm_px: float) -> Spikes | None:
    """Spikes over the brightest stars; None where no star is bright and free enough."""
    if not np.isfinite(fwhm_px) or fwhm_px <= 0:
        return None
    inner, outer = max(FROM_FWHM * fwhm_px, 8.0), max(TO_FWHM * fwhm_px, 24.0)
    profiles: list[Array] = []
    places: list[tuple[float, float]] = []
    for star in stars[:60]:
        if len(profiles) == MAX_STARS:
            break
        profile = _azimuthal(background, float(star["x"]), float(star["y"]), inner, outer)
        if profile is not None:
            profiles.append(profile)
            places.append((float(star["x"]), float(star["y"])))
    if not profiles:
        return None
    mean, halves = _combine(np.array(profiles))
    best = float(mean.max())
    bars = _bars(mean, halves)
    odd: bool | None = False
    if len(bars) == 1:
        odd = None
    elif bars:
        odd = not _regular([b[0] for b in bars], [b[1] for b in bars])
    return Spikes(tuple(b[0] for b in bars), tuple(b[1] for b in bars), best, tuple(places), odd)


def _azimuthal(
    background: Background, x: float, y: float, inner: float, outer: float
) -> Array | None:
    """(2, 180) profile over direction in sigma, from the inner and the outer half of the ring."""
    for window in background.windows:
        height, width = window.light.shape
        column, row = x - window.x0, y - window.y0
        room = min(column, row, width - 1 - column, height - 1 - row)
        if room >= outer:
            break
    else:
        return None
    radii = np.arange(inner, outer, 1.0)
    turn = np.deg2rad(np.arange(0, 360, STEP_DEG))
    xs, ys = column + radii[:, None] * np.cos(turn), row + radii[:, None] * np.sin(turn)
    polar = between(window.light, ys, xs)
    polar -= medians(polar)[:, None]
    spread = max(1.4826 * median(np.abs(polar)), 0.3 * window.noise_adu)
    # A spike is weak in each pixel and long; a neighbouring star is strong and short.
    polar = np.clip(polar / spread, -3, 3)
    middle = len(radii) // 2
    return np.stack((polar[:middle].mean(0), polar[middle:].mean(0)))


def _combine(profiles: Array) -> tuple[Array, Array]:
    """(n, 2, 180) -> mean profile (180,) and its two halves (2, 180), in sigma of itself."""
    combined = medians(profiles, axis=0) if len(profiles) >= 3 else profiles.mean(0)
    smooth = ndimage.gaussian_filter1d(combined, 1.0, axis=1, mode="wrap")
    both = smooth.mean(0)

    def normal(profile: Array) -> Array:
        centred = profile - median(profile)
        spread = 1.4826 * median(np.abs(centred))
        return centred / max(spread, 1e-6)

    return normal(both), np.stack([normal(half) for half in smooth])


def _bars(mean: Array, halves: Array) -> list[tuple[float, float]]:
    """Direction and strength of every bar: a peak in both halves of the ring, on both sides of
    the star (the weaker side counts)."""
    n = len(mean)
    folded = np.minimum(mean, np.roll(mean, n // 2))[: n // 2]
    reach = ndimage.maximum_filter1d(halves, 3, axis=1, mode="wrap").min(0)
    reach = np.minimum(reach, np.roll(reach, n // 2))[: n // 2]
    highest = ndimage.maximum_filter1d(folded, 7, mode="wrap")
    strength = (mean[: n // 2] + mean[n // 2 :]) / 2
    seen = (strength > VISIBLE_SIGMA) & (folded > 0.6 * VISIBLE_SIGMA) & (reach > 2.0)
    seen &= folded >= highest
    return [(float(k * STEP_DEG), float(strength[k])) for k in np.flatnonzero(seen)]


def _regular(bars_deg: list[float], strength: list[float]) -> bool:
    """Two bars 90 or three bars 60 degrees apart (within 5), none twice as strong as another."""
    if max(strength) > 2.0 * min(strength):
        return False
    apart = {2: 90.0, 3: 60.0}.get(len(bars_deg))
    if apart is None:
        return False
    ordered = sorted(bars_deg)
    gaps = np.diff([*ordered, ordered[0] + 180.0])
    return bool(np.all(np.abs(gaps - apart) <= 5.0))
