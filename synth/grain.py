"""How the noise of a finished frame's sky is correlated, and how strong it is.

Frames that were resampled, averaged or taken through a lens that blurs hold noise whose
neighbouring pixels are alike, and a crowded sky holds stars too faint to be told from it. What a
graft adds must be of the same grain, or each graft would betray itself by its noise.
"""

from dataclasses import dataclass

import numpy as np
from scipy import fft, ndimage

from synth.stand_in import smooth_sky

REACH_PX = 6
# Light this many sigma above the sky is a star's; it is left out with what lies within 3 px.
_STAR_SIGMA = 3.5


@dataclass(frozen=True)
class Grain:
    """correlation: (2 r + 1, 2 r + 1) of the sky's noise with itself, 1 in the middle. variance:
    of the sky's pixels, e^2; None = as the light and the read noise call for."""

    correlation: np.ndarray
    variance: float | None = None

    def spectrum(self, size: tuple[int, int]) -> np.ndarray:
        """Half spectrum (rfft2) on a canvas of a size: 1 everywhere for white noise."""
        reach = self.correlation.shape[0] // 2
        canvas = np.zeros(size)
        canvas[: 2 * reach + 1, : 2 * reach + 1] = self.correlation
        return np.maximum(fft.rfft2(np.roll(canvas, (-reach, -reach), (0, 1))).real, 0.0)


WHITE = Grain(np.ones((1, 1)))


def sky_grain(light_e: np.ndarray) -> Grain:
    """The grain of the sky between a frame's stars; correlations that chance explains are none.

    light_e: (H, W) electrons, of one colour. The variance is that which differences of
    neighbouring pixels show (under four sigma, so that stars do not matter), with the
    correlation's share in those differences made good.
    """
    flat = light_e - smooth_sky(light_e)
    sigma = max(1.4826 * float(np.median(np.abs(flat - np.median(flat)))), 1e-9)
    stars = ndimage.binary_dilation(flat > _STAR_SIGMA * sigma, iterations=3)
    sky = ~stars & (flat > -2 * _STAR_SIGMA * sigma)
    if sky.sum() < 2000:
        return WHITE
    flat = np.where(sky, flat - flat[sky].mean(), 0.0)
    correlation = _correlation(flat, sky)
    steps = np.diff(flat, axis=1)[sky[:, 1:] & sky[:, :-1]]
    # Not from the median itself, which whole numbers of little noise hold to whole numbers.
    steps = steps[np.abs(steps) <= 6 * np.median(np.abs(steps))]
    beside = min(float(correlation[REACH_PX, REACH_PX + 1]), 0.95)
    variance = float((steps**2).mean()) / 2 / (1 - beside)
    return Grain(correlation, variance if variance > 0 else None)


def _correlation(flat: np.ndarray, sky: np.ndarray) -> np.ndarray:
    """(2 r + 1, 2 r + 1) of pixels both of which are sky, at distances up to r = REACH_PX."""
    size = [fft.next_fast_len(n + REACH_PX, real=True) for n in flat.shape]

    def with_itself(picture: np.ndarray) -> np.ndarray:
        whole = fft.irfft2(np.abs(fft.rfft2(picture, s=size)) ** 2, s=size)
        rolled = np.roll(whole, (REACH_PX, REACH_PX), (0, 1))
        return rolled[: 2 * REACH_PX + 1, : 2 * REACH_PX + 1]

    pairs = np.maximum(with_itself(sky.astype(float)), 1.0)
    covariance = with_itself(flat) / pairs
    correlation = covariance / covariance[REACH_PX, REACH_PX]
    # White noise scatters by 1 / sqrt(pairs); four of that are not chance in 168 places.
    correlation[np.abs(correlation) < 4 / np.sqrt(pairs)] = 0.0
    # Tapered, so that what is cut off leaves no ripples in the spectrum.
    y, x = np.indices(correlation.shape) - REACH_PX
    away = np.hypot(x, y) / (REACH_PX + 1)
    return correlation * np.cos(np.pi / 2 * np.minimum(away, 1.0)) ** 2
