"""How a frame's own stars look, core and wings, so that a star put in beside them looks alike.

    star = own_star(source, light_e)
    star.light((height, width), x_px, y_px)      # of one electron

The brightest stars, laid over one another, show the profile down to their noise; beyond that it
falls as the light of a long exposure through air does, by the power -11/3 (Kolmogorov 1941; the
seeing disc's far wings, Roddier 1981, Prog. Optics 19, 281; from memory).
"""

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from synth.stand_in import Source, bright_stars, smooth_sky

REACH_PX = 48
STACKED = 16
_LEAST = 3
_FALL = -11 / 3
# Out to here at most, in FWHM, a single pixel of the mean star counts; further out, rings do.
_CORE_FWHM = 2.0


@dataclass(frozen=True)
class OwnStar:
    """stamp: (2 r + 1, 2 r + 1) light in a pixel of a star of flux 1; rim: the same at radius r,
    where the power law takes over."""

    stamp: np.ndarray
    rim: float

    def light(self, shape: tuple[int, int], x_px: float, y_px: float) -> np.ndarray:
        """(H, W) of one star of flux 1, in the middle of the pixel that is nearest."""
        reach = self.stamp.shape[0] // 2
        x, y = round(x_px), round(y_px)
        rows, columns = np.arange(shape[0]) - y, np.arange(shape[1]) - x
        away = np.maximum(np.hypot(rows[:, None], columns[None]), 1.0)
        out = self.rim * (away / reach) ** _FALL
        rows, columns = rows[np.abs(rows) <= reach] + y, columns[np.abs(columns) <= reach] + x
        part = self.stamp[np.ix_(rows - y + reach, columns - x + reach)]
        near = away[np.ix_(rows, columns)] < reach
        out[np.ix_(rows, columns)] = np.where(near, part, out[np.ix_(rows, columns)])
        return np.asarray(out)


def own_star(source: Source, light_e: np.ndarray) -> OwnStar:
    """The mean of the frame's brightest stars; with under three, or where all of them hide the
    same part beyond the frame's edge, a Moffat star of exponent 3 (common practice) and the frame's
    width."""
    reach = min(REACH_PX, min(light_e.shape) // 4)
    axis = np.arange(-reach, reach + 1)
    away = np.hypot(axis[:, None], axis[None])
    cuts = _cuts(source, light_e, reach)
    if len(cuts) < _LEAST or np.isnan(cuts).all(0).any():
        scale = source.fwhm_px / (2 * (2 ** (1 / 3) - 1) ** 0.5)
        return _whole((1 + (away / scale) ** 2) ** -3, away, 3 * source.fwhm_px)
    image = np.nanmedian(cuts, 0)
    image -= np.median(image[(away > 0.85 * reach) & (away <= reach)])
    noise = np.maximum(1.4826 * np.nanmedian(np.abs(cuts - image), 0), 1e-12) / len(cuts) ** 0.5
    first = _clear_px(image, noise, away, source.fwhm_px)
    levels = _rings(image, noise, away, first)
    last = first + len(levels) - 1
    smooth = np.exp(np.interp(away, np.arange(first, last + 1), np.log(levels)))
    # Regular spikes and a lopsided halo stand out of their ring, over more than a pixel.
    more = ndimage.median_filter(image - smooth, 3)
    clear = np.abs(more) > 4 * ndimage.uniform_filter(noise, 5)
    stamp = np.where(away < first, image, smooth + np.where(clear, more, 0.0))
    return _whole(np.maximum(stamp, 0.0), away, float(last))


def _clear_px(image: np.ndarray, noise: np.ndarray, away: np.ndarray, fwhm_px: float) -> int:
    """Radius within which each single pixel of the mean star is sure to a fifth of its light: of
    faint stars less than the core. What is not would be a rough rim once made brighter."""
    ring = np.rint(away).astype(int)
    radius = max(1, round(0.5 * fwhm_px))
    while radius < int(_CORE_FWHM * fwhm_px) and np.all(
        image[ring == radius] > 5 * np.median(noise[ring == radius])
    ):
        radius += 1
    return radius


def _rings(image: np.ndarray, noise: np.ndarray, away: np.ndarray, first: int) -> np.ndarray:
    """Level of the rings of a pixel from radius `first` outward, as far as they are seen.

    No halo falls more slowly than r^-2 (King 1971, PASP 83, 199; from memory): what does is the
    light of neighbours.
    """
    ring = np.rint(away).astype(int)
    levels: list[float] = []
    for radius in range(first, int(away[0].min()) + 1):
        at = ring == radius
        level, doubt = float(np.median(image[at])), float(np.median(noise[at]) / at.sum() ** 0.5)
        if levels:
            level = min(level, levels[-1] * ((radius - 1) / radius) ** 2)
            if level < 3 * doubt:
                break
        levels.append(max(level, 1e-9))
    return np.array(levels)


def _cuts(source: Source, light_e: np.ndarray, reach: int) -> np.ndarray:
    """(n, 2 r + 1, 2 r + 1) of the brightest stars over the flux of their cores; NaN outside."""
    stars = bright_stars(source, light_e, STACKED)
    wide = np.pad(light_e - smooth_sky(light_e), reach, constant_values=np.nan)
    axis = np.arange(-reach, reach + 1)
    core = np.hypot(axis[:, None], axis[None]) < _CORE_FWHM * source.fwhm_px
    places = zip(stars.y_px.astype(int), stars.x_px.astype(int), strict=True)
    cuts = [wide[y : y + 2 * reach + 1, x : x + 2 * reach + 1] for y, x in places]
    cuts = [cut / flux for cut in cuts if (flux := float(np.nansum(cut[core]))) > 0]
    return np.array(cuts).reshape(-1, 2 * reach + 1, 2 * reach + 1)


def _whole(stamp: np.ndarray, away: np.ndarray, last_px: float) -> OwnStar:
    """A star of flux 1 of a stamp that is good out to a radius, and the power law beyond."""
    reach = away.shape[0] // 2
    level = float(np.median(stamp[np.abs(away - last_px) < 1.0]))
    stamp = np.where(away > last_px, level * (np.maximum(away, 1.0) / last_px) ** _FALL, stamp)
    rim = level * (reach / last_px) ** _FALL
    # The plane integral of the power law from the rim outward: 2 pi r^2 / (11/3 - 2).
    total = float(stamp[away < reach].sum()) + rim * 2 * np.pi * reach**2 / (-_FALL - 2)
    return OwnStar(stamp / total, rim / total)
