"""How far spikes put into a finished frame stand out of its brightest star.

As `spike_strength` does for rendered stars: what the bars add along a spike beyond six FWHM, over
the noise of the sky and of the star's own wings and their grain there, at the best length; here the
star is the frame's own and the spikes end where the frame does.
"""

import numpy as np
from scipy.signal import fftconvolve

from synth.own_star import OwnStar
from synth.spike_strength import GRAIN, INNER_FWHM, LENGTHS_PX


def spike_snr(
    star: OwnStar,
    kernel: np.ndarray,
    flux_e: float,
    place_px: tuple[float, float],
    shape: tuple[int, int],
    angles_deg: list[float],
    noise_e: float,
    fwhm_px: float,
) -> float:
    """Sigma of the strongest spike of a star of flux_e electrons at x, y in a frame of this shape.

    kernel: what the bars do to a star, sum 1. angles_deg: of the spikes, from +x towards +y.
    noise_e: of a pixel of the sky.
    """
    reach = int(np.ceil(INNER_FWHM * fwhm_px)) + max(LENGTHS_PX)
    plain = star.light((2 * reach + 1, 2 * reach + 1), reach, reach)
    odd = np.maximum(fftconvolve(plain, kernel, mode="same"), 0.0)
    axis = np.arange(-reach, reach + 1)
    inside_x = (axis + place_px[0] >= 0) & (axis + place_px[0] <= shape[1] - 1)
    inside_y = (axis + place_px[1] >= 0) & (axis + place_px[1] <= shape[0] - 1)
    inside = inside_y[:, None] & inside_x[None]
    signal, noise2 = (odd - plain) * flux_e, noise_e**2 + odd * flux_e
    best = 0.0
    for angle in np.deg2rad(angles_deg):
        along = axis[None] * np.cos(angle) + axis[:, None] * np.sin(angle)
        across = axis[:, None] * np.cos(angle) - axis[None] * np.sin(angle)
        for side in (1, -1):
            out_px = side * along - INNER_FWHM * fwhm_px
            for length in LENGTHS_PX:
                ray = inside & (np.abs(across) < 0.75 * fwhm_px) & (out_px > 0) & (out_px < length)
                if ray.any():
                    grain = GRAIN * flux_e * plain[ray].sum()
                    sigma = np.sqrt(noise2[ray].sum() + grain**2)
                    best = max(best, float(signal[ray].sum() / sigma))
    return best
