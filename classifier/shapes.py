"""Shapes: weighted moments of star cut-outs, and the mean star laid together from all of them.

Moments are Gaussian-weighted, and the weight is then taken out again: an image of covariance C
seen through a weight of covariance W has M^-1 = C^-1 + W^-1, exactly for Gaussians. A weight
that matches the star gives the core's size; one 3.5 times as wide gives the shape, since lines,
double images and hooks differ from a Gaussian mostly in their outskirts. But the wings of a real
star lie there too, and lengthen little when the star is moved: whether it is stretched at all is
told best by a weight 1.8 times as wide.
"""

import math
from dataclasses import dataclass

import numpy as np

Array = np.ndarray

WIDE = 3.5  # width of the shape weight over that of the star
INNER = 1.8  # of the weight that leaves the wings out
ROUNDS = 5


@dataclass(frozen=True)
class Moments:
    """Per cut-out, in cut-out pixels; arrays of length n.

    core_variance: Gaussian sigma^2 with matched weight. wide_variance: (X2 + Y2) / 2.
    e1, e2: (X2 - Y2) / (X2 + Y2) and 2 XY / (X2 + Y2). e_noise: standard deviation of either
    from sky noise. inner (n, 3): variance, e1 and e2 without the wings, NaN where noise hides them.
    centres (n, 2) windowed; shift (n, 2) against those given. good: converged.
    """

    core_variance: Array
    wide_variance: Array
    e1: Array
    e2: Array
    e_noise: Array
    inner: Array
    centres: Array
    shift: Array
    good: Array


def moments(stamps: Array, centres: Array, noise: float, sigma: float) -> Moments:
    """Weighted moments of (n, S, S) cut-outs about (n, 2) first centres; sigma: a first guess."""
    n, side, _ = stamps.shape
    axis = np.arange(side, dtype=np.float32)
    centre = centres.astype(np.float32).copy()
    variance = np.full(n, sigma**2, np.float32)
    limit = (side / 3) ** 2
    for _ in range(ROUNDS):
        # Windowed centroid: doubling the offset makes up for the weight's own pull.
        # Under a weight narrower than a pixel the sums no longer stand for integrals.
        weight = variance.clip(1.0, None)
        wx, wy = _weights(axis, centre, weight)
        flux, mx, my, mxx, myy, _ = _sums(stamps, axis, centre, wx, wy)
        step = np.stack((mx, my), 1) / flux[:, None] * 2
        centre += np.where(np.abs(step) < 2 * sigma + 1, step, 0)
        seen = ((mxx + myy) / 2 / flux - (mx**2 + my**2) / 2 / flux**2).clip(1e-3, None)
        variance = _free(seen, weight).clip(0.05, limit)
    core = variance.copy()
    weight = (WIDE**2 * core).clip(1.0, limit)
    wx, wy = _weights(axis, centre, weight)
    flux, (xx, yy), (cxx, cyy, cxy) = _second(stamps, axis, centre, weight, (wx, wy))
    total = cxx + cyy
    good = (flux > 0) & np.isfinite(total) & (cxx > 0) & (cyy > 0) & (total / 2 < 4 * limit)
    total = np.where(good, total, 1.0)
    # Noise of e: sum of w^2 (x^2 - y^2)^2 over flux and size, magnified by the freeing.
    dx2 = (axis[None] - centre[:, :1]) ** 2
    dy2 = (axis[None] - centre[:, 1:]) ** 2
    fourth = (
        (wx**2 * dx2**2).sum(1) * (wy**2).sum(1)
        + (wx**2).sum(1) * (wy**2 * dy2**2).sum(1)
        - 2 * (wx**2 * dx2).sum(1) * (wy**2 * dy2).sum(1)
    )
    seen = np.where(good, (xx + yy) / 2, 1.0)
    magnified = (total / 2 / seen) ** 2
    with np.errstate(invalid="ignore", divide="ignore"):
        e_noise = noise * np.sqrt(np.maximum(fourth, 0)) / np.abs(flux) / total * magnified
    return Moments(
        core_variance=core,
        wide_variance=total / 2,
        e1=(cxx - cyy) / total,
        e2=2 * cxy / total,
        e_noise=np.nan_to_num(e_noise, nan=1.0),
        inner=_inner(stamps, axis, centre, (INNER**2 * core).clip(1.0, limit)),
        centres=centre,
        shift=centre - centres,
        good=good & (np.abs(centre - centres).max(1) < 3 * sigma + 2),
    )


def elongation_of(e1: float, e2: float) -> float:
    """Long over short axis of a shape."""
    size = min(math.hypot(e1, e2), 0.98)
    return math.sqrt((1 + size) / (1 - size))


def _second(
    stamps: Array, axis: Array, centre: Array, weight: Array, along: tuple[Array, Array]
) -> tuple[Array, tuple[Array, Array], tuple[Array, Array, Array]]:
    """Flux, second moments along x and y about the weighted mean as seen under a weight, and the
    xx, yy and xy freed from it as a matrix. along: that weight along x and y."""
    flux, mx, my, mxx, myy, mxy = _sums(stamps, axis, centre, *along)
    xx = mxx / flux - (mx / flux) ** 2
    yy = myy / flux - (my / flux) ** 2
    xy = mxy / flux - mx * my / flux**2
    return flux, (xx, yy), _free_matrix(xx, yy, xy, weight)


def _inner(stamps: Array, axis: Array, centre: Array, weight: Array) -> Array:
    """(n, 3) variance, e1 and e2 under one weight, as in `Moments`."""
    along = _weights(axis, centre, weight)
    _, _, (xx, yy, xy) = _second(stamps, axis, centre, weight, along)
    told = np.stack(((xx + yy) / 2, (xx - yy) / (xx + yy), 2 * xy / (xx + yy)), 1)
    good = (xx > 0) & (yy > 0) & np.isfinite(told).all(1)
    return np.where(good[:, None], told, np.nan)


def _weights(axis: Array, centre: Array, variance: Array) -> tuple[Array, Array]:
    def one(at: Array) -> Array:
        return np.exp(-0.5 * (axis[None] - at[:, None]) ** 2 / variance[:, None])

    return one(centre[:, 0]), one(centre[:, 1])


def _sums(stamps: Array, axis: Array, centre: Array, wx: Array, wy: Array) -> tuple[Array, ...]:
    """Flux and first and second moments under the separable weight wx x wy."""
    dx, dy = axis[None] - centre[:, :1], axis[None] - centre[:, 1:]
    across = np.stack((wx, wx * dx, wx * dx**2), 2)  # (n, S, 3)
    rows = stamps @ across  # (n, S, 3)
    down = np.stack((wy, wy * dy, wy * dy**2), 1)  # (n, 3, S)
    table = down @ rows  # (n, 3, 3): [power of y, power of x]
    flux = np.where(table[:, 0, 0] > 0, table[:, 0, 0], np.inf)
    flux = np.where(np.isfinite(flux), flux, 1e15)  # its square still fits into float32
    return flux, table[:, 0, 1], table[:, 1, 0], table[:, 0, 2], table[:, 2, 0], table[:, 1, 1]


def _free(seen: Array, weight: Array) -> Array:
    """Variance without the weight; where noise makes the seen one as wide as it, doubled."""
    inverse = 1 / seen - 1 / weight
    return np.where(inverse > 0.25 / seen, 1 / np.maximum(inverse, 1e-6), 4 * seen)


def _free_matrix(xx: Array, yy: Array, xy: Array, weight: Array) -> tuple[Array, Array, Array]:
    """(M^-1 - 1/weight)^-1 for symmetric 2 x 2 matrices."""
    with np.errstate(invalid="ignore", divide="ignore"):
        area = xx * yy - xy**2
        ixx, iyy, ixy = yy / area - 1 / weight, xx / area - 1 / weight, -xy / area
        inner = ixx * iyy - ixy**2
        return iyy / inner, ixx / inner, -ixy / inner
