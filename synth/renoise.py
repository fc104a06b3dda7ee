"""Light changed on a finished frame, with the noise the changed frame would have had.

A frame in electrons is expected light L plus noise of variance L + R^2 (photons, read noise). Its
own pixels serve as the estimate of L, which is right on average, so nothing has to be separated
into stars and sky, and stars too faint to be found are treated like all others.

    smear   light moved by a kernel of sum 1: k * E, whose noise has the spectrum |K|^2, plus noise
            of the spectrum 1 - |K|^2, so that the sum is white again and has the variance
            k * L + R^2 that the smeared light calls for; both times the spectrum of the frame's
            own noise where that is not white
    dim     light reduced to a share m of itself: binomial thinning, matched in mean and variance
    add     more light: Poisson

All three return a frame that is the one given, bit for bit, where there is nothing to change.
"""

import numpy as np
from numpy.random import Generator
from scipy import fft

from synth.grain import WHITE, Grain

# Keys' cubic kernel reproduces parabolas, so a point laid down between pixels keeps its first and
# second moments exactly (Keys 1981, IEEE Trans. ASSP 29, 1153; from memory).
_TAPS = np.arange(-1, 3)


def _keys(distance: np.ndarray) -> np.ndarray:
    d = np.abs(distance)
    near = 1.5 * d**3 - 2.5 * d**2 + 1
    far = -0.5 * d**3 + 2.5 * d**2 - 4 * d + 2
    return np.where(d <= 1, near, np.where(d < 2, far, 0.0))


def laid_down(points_px: np.ndarray, weights: np.ndarray | None = None) -> np.ndarray:
    """Kernel on the pixel grid of light at points: odd side, sum 1, origin in the middle.

    points_px: (K, 2) x, y. weights: (K,), None = equal. Points all at the origin give [[1]].
    """
    weights = np.full(len(points_px), 1.0) if weights is None else weights
    base = np.floor(points_px).astype(int)
    reach = int(np.abs(base).max()) + 3
    kernel = np.zeros((2 * reach + 1, 2 * reach + 1))
    part = points_px - base
    in_x = _keys(_TAPS[None] - part[:, :1]) * (weights / weights.sum())[:, None]
    in_y = _keys(_TAPS[None] - part[:, 1:])
    columns = base[:, :1] + _TAPS + reach
    rows = base[:, 1:] + _TAPS + reach
    np.add.at(kernel, (rows[:, :, None], columns[:, None, :]), in_y[:, :, None] * in_x[:, None, :])
    return _trimmed(kernel)


def _trimmed(kernel: np.ndarray) -> np.ndarray:
    """Without the empty rim; what is cut off is under a millionth of the light."""
    middle = kernel.shape[0] // 2
    size = np.abs(kernel)
    for reach in range(middle + 1):
        part = slice(middle - reach, middle + reach + 1)
        if size.sum() - size[part, part].sum() < 1e-6:
            kept = kernel[part, part]
            return kept / kept.sum()
    return kernel


def smear(
    light_e: np.ndarray,
    kernel: np.ndarray,
    read_noise_e: float,
    rng: Generator,
    grain: Grain = WHITE,
) -> np.ndarray:
    """(H, W) electrons, smeared by a kernel (odd side, sum 1) and noisy as a frame of its own.

    With k the kernel and V = E + R^2 the variance, k * E has the variance k^2 * V; the noise
    added has ((k - k^2) * V), shaped to the spectrum 1 - |K|^2. Exact where V varies slowly over
    the kernel; near a bright star right in variance, nearly so in colour. `grain`: how the noise
    of this light's sky is correlated and how strong it is where not as V says.
    """
    if kernel.size == 1:
        return light_e
    pad = kernel.shape[0] // 2
    wide = np.pad(light_e, pad, mode="reflect" if pad < min(light_e.shape) else "symmetric")
    size = [fft.next_fast_len(n, real=True) for n in wide.shape]

    def spectrum(small: np.ndarray) -> np.ndarray:
        canvas = np.zeros(size)
        canvas[: small.shape[0], : small.shape[1]] = small
        return fft.rfft2(np.roll(canvas, (-pad, -pad), (0, 1)))

    def back(transform: np.ndarray) -> np.ndarray:
        whole = fft.irfft2(transform, s=size)
        return whole[pad : pad + light_e.shape[0], pad : pad + light_e.shape[1]]

    moving, squared = spectrum(kernel), spectrum(kernel**2)
    light = fft.rfft2(wide, s=size)
    # What the kernel leaves of white noise, and what it takes, which is put back.
    left = float((kernel**2).sum())
    variance = fft.rfft2(_variance(wide, read_noise_e, grain), s=size)
    missing = np.maximum(back(variance * (moving - squared)), 0.0) / (1 - left)
    white = fft.rfft2(rng.standard_normal(size))
    taken = np.clip(1 - np.abs(moving) ** 2, 0.0, 1.0) * grain.spectrum((size[0], size[1]))
    return back(light * moving) + np.sqrt(missing) * back(white * np.sqrt(taken))


def _variance(light_e: np.ndarray, read_noise_e: float, grain: Grain) -> np.ndarray:
    """Variance of a pixel's noise: light and read noise, times what the sky shows of it."""
    variance = np.maximum(light_e, 0.0) + read_noise_e**2
    if grain.variance is None:
        return variance
    return variance * grain.variance / max(float(np.median(variance)), 1e-9)


def dim(
    light_e: np.ndarray, share: np.ndarray | float, read_noise_e: float, rng: Generator
) -> np.ndarray:
    """(H, W) electrons reduced to a share (0 to 1) of their light, read noise as before.

    Thinning keeps photon noise Poisson: m E + noise of variance m (1 - m) L, and (1 - m^2) R^2
    for the read noise that the factor took away. Taken as Gaussian, right from some ten electrons.
    """
    share = np.clip(share, 0.0, 1.0)
    lost = share * (1 - share) * np.maximum(light_e, 0.0) + (1 - share**2) * read_noise_e**2
    return share * light_e + np.sqrt(lost) * rng.standard_normal(light_e.shape)


def add(light_e: np.ndarray, more_e: np.ndarray, rng: Generator) -> np.ndarray:
    """(H, W) electrons with further expected electrons (at least 0) on top."""
    return light_e + rng.poisson(np.maximum(more_e, 0.0))
