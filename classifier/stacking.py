"""What a stack of subs is worth: noise, width, elongation and depth, for any weights, by formula.

    subs = Subs(noise, covariances(fwhm_px, elongation, angle_deg), exposure_s)
    stack = stacked(subs, weights)            # of all of them
    stacks = stacked_in_turn(subs, weights)   # of the first, the first two, ...

A sub is its sky noise on a common scale of star flux and a Gaussian star; a stack is the weighted
mean, registered without loss. Wide-winged stars, noise that neighbouring pixels share, and light
that varies over the frame are left out, so that differences between stacks are worth more than
the values themselves. Depth is that of a faint star measured by the stack's own profile: its
magnitude at a given signal-to-noise, up to a constant.
"""

from dataclasses import dataclass

import numpy as np

Array = np.ndarray

FWHM_PER_SIGMA = 2.3548200450309493  # 2 sqrt(2 ln 2)
DIRECTIONS = 12


@dataclass(frozen=True)
class Subs:
    """noise: (n,) sky noise per pixel over the transmission, any unit. covariance: (n, 2, 2) of
    the star, px^2. exposure_s: (n,) seconds."""

    noise: Array
    covariance: Array
    exposure_s: Array

    def __len__(self) -> int:
        return len(self.noise)

    def __getitem__(self, index: Array) -> "Subs":
        return Subs(self.noise[index], self.covariance[index], self.exposure_s[index])


@dataclass(frozen=True)
class Stack:
    """noise: per pixel, in the unit of the subs'. area_px: noise-equivalent area of a star,
    1 / sum of its squared profile. depth_mag: -2.5 log10(noise sqrt(area)), comparable between
    stacks of one run. fwhm_px: geometric mean of the full widths along and across."""

    noise: float
    area_px: float
    depth_mag: float
    fwhm_px: float
    elongation: float
    exposure_s: float


def covariances(fwhm_px: Array, elongation: Array, angle_deg: Array) -> Array:
    """(n, 2, 2) covariance in px^2 of Gaussian stars, as `stars` defines width and elongation.

    fwhm = 2 sqrt(ln 2 (a^2 + b^2)), elongation = a / b, long axis from +x towards +y.
    """
    total = np.square(np.asarray(fwhm_px, float)) / (4 * np.log(2))
    ratio = np.maximum(np.asarray(elongation, float), 1.0)
    minor = total / (1 + ratio**2)
    angle = np.radians(np.asarray(angle_deg, float))
    along = np.stack((np.cos(angle), np.sin(angle)), -1)
    outer = along[..., :, None] * along[..., None, :]
    return minor[..., None, None] * np.eye(2) + (minor * (ratio**2 - 1))[..., None, None] * outer


def stacked(subs: Subs, weights: Array) -> Stack:
    """The stack of all subs; weights (n,), not negative, of any sum."""
    weights = np.asarray(weights, float) / np.sum(weights)
    noise = float(np.sqrt(np.sum(np.square(weights * subs.noise))))
    area = 1 / float(weights @ overlaps(subs) @ weights)
    long, short = _widths(subs.covariance, weights)
    return Stack(
        noise=noise,
        area_px=area,
        depth_mag=float(-2.5 * np.log10(noise * area**0.5)),
        fwhm_px=float((long * short) ** 0.5),
        elongation=max(1.0, long / short),
        exposure_s=float(subs.exposure_s[weights > 0].sum()),
    )


def stacked_in_turn(subs: Subs) -> list[Stack]:
    """Stacks of equal weights of the first sub, the first two, and so on to all."""
    count = np.arange(1, len(subs) + 1)
    noise = np.sqrt(np.cumsum(np.square(subs.noise))) / count
    shared = np.cumsum(np.cumsum(overlaps(subs), axis=0), axis=1).diagonal() / count**2
    depth = -2.5 * np.log10(noise / np.sqrt(shared))
    exposure = np.cumsum(subs.exposure_s)
    stacks = []
    for k in count:
        long, short = _widths(subs.covariance[:k], np.full(k, 1 / k))
        i = k - 1
        width, ratio = float((long * short) ** 0.5), max(1.0, long / short)
        stacks.append(
            Stack(
                float(noise[i]),
                float(1 / shared[i]),
                float(depth[i]),
                width,
                ratio,
                float(exposure[i]),
            )
        )
    return stacks


def overlaps(subs: Subs) -> Array:
    """(n, n) integrals of the product of two stars' profiles: 1 / (2 pi sqrt det(C_i + C_j))."""
    both = subs.covariance[:, None] + subs.covariance[None, :]
    determinant = both[..., 0, 0] * both[..., 1, 1] - both[..., 0, 1] ** 2
    return 1 / (2 * np.pi * np.sqrt(determinant))


def contrast(subs: Subs, cycles_per_px: float) -> Array:
    """(n, directions) how much of a fine pattern each sub's star profile lets through, 0 to 1.

    The Fourier transform of a Gaussian, exp(-2 pi^2 f^2 u C u), in directions u over half a turn.
    """
    angle = np.arange(DIRECTIONS) * np.pi / DIRECTIONS
    u = np.stack((np.cos(angle), np.sin(angle)), 1)
    spread = np.einsum("di,nij,dj->nd", u, subs.covariance, u)
    return np.exp(-2 * np.pi**2 * cycles_per_px**2 * spread)


def detail_in_turn(subs: Subs, cycles_per_px: float) -> Array:
    """(n,) signal-to-noise of a pattern of this frequency in equally weighted stacks of the first
    sub, the first two, and so on, in magnitudes up to a constant: the mean over directions of
    2.5 log10(sum of contrasts / sqrt(sum of noise^2))."""
    signal = np.cumsum(contrast(subs, cycles_per_px), axis=0)
    noise = np.sqrt(np.cumsum(np.square(subs.noise)))
    return np.mean(2.5 * np.log10(signal / noise[:, None]), axis=1)


def noise_weights(subs: Subs) -> Array:
    """(n,) inverse-variance weights, the largest 1: no others give less sky noise, which becomes
    1 / sqrt(sum 1 / noise^2)."""
    weights = 1 / np.square(subs.noise)
    return weights / weights.max()


def depth_weights(subs: Subs) -> Array:
    """(n,) weights of the deepest stack, the largest 1.

    They maximise w K w / w N w, K the overlaps and N the variances: the first eigenvector of
    N^-1/2 K N^-1/2, whose elements are all positive because those of K are (Perron).
    """
    root = overlaps(subs) / np.outer(subs.noise, subs.noise)
    _, vectors = np.linalg.eigh(root)
    weights = np.abs(vectors[:, -1]) / subs.noise
    return weights / weights.max()


def detail_weights(subs: Subs, cycles_per_px: float) -> Array:
    """(n,) weights that show a pattern of this frequency best, the largest 1: contrast over
    variance."""
    weights = contrast(subs, cycles_per_px).mean(1) / np.square(subs.noise)
    return weights / weights.max()


def noise_limit(good: int) -> float:
    """Noise of one more sub, over that of `good` equal ones, below which it lowers the noise of
    their equally weighted stack: sqrt(2 + 1 / good)."""
    return float((2 + 1 / good) ** 0.5)


def _widths(covariance: Array, weights: Array) -> tuple[float, float]:
    """Full widths at half maximum of a mixture of Gaussians, along and across its long axis."""
    _, axes = np.linalg.eigh(np.tensordot(weights, covariance, 1))
    determinant = covariance[:, 0, 0] * covariance[:, 1, 1] - covariance[:, 0, 1] ** 2
    peaks = weights / np.sqrt(determinant)
    inverse = np.linalg.inv(covariance)
    widths = []
    for axis in (axes[:, 1], axes[:, 0]):
        rate = np.einsum("i,nij,j->n", axis, inverse, axis) / 2
        # Half of the peak lies between the half widths of the narrowest and the widest.
        low, high = np.sqrt(np.log(2) / rate.max()), np.sqrt(np.log(2) / rate.min())
        for _ in range(40):
            if high - low <= 1e-9 * high:
                break
            middle = (low + high) / 2
            above = peaks @ np.exp(-rate * middle**2) > peaks.sum() / 2
            low, high = (middle, high) if above else (low, middle)
        widths.append(low + high)
    return widths[0], widths[1]
