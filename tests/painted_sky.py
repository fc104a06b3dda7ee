"""Small skies for the tests of the measures, painted from closed forms with NumPy and SciPy.

A star is a function of position integrated over each pixel: exactly with the error function for
Gaussians, by 7 x 7 points per pixel for anything else. Nothing here uses the project's own
renderer, so that the measures are tested against something else.
"""

from pathlib import Path

import numpy as np
from scipy.special import erf

from classifier.facts import Facts
from classifier.frame import Frame

FWHM_PER_SIGMA = 2.354820045  # 2 sqrt(2 ln 2)
POINTS = 7


def gaussian(fwhm_px, stretch=1.0, angle_deg=0.0):
    """Stamp maker; `stretch` > 1 makes the sigma along angle_deg longer by that factor."""
    sigma = fwhm_px / FWHM_PER_SIGMA
    if stretch == 1.0:

        def exact(dx, dy, half):
            edges = np.arange(-half, half + 2) - 0.5
            along = np.diff(erf((edges - dx) / (sigma * 2**0.5))) / 2
            down = np.diff(erf((edges - dy) / (sigma * 2**0.5))) / 2
            return down[:, None] * along[None]

        return exact
    turn = np.deg2rad(angle_deg)

    def brightness(x, y):
        u, v = x * np.cos(turn) + y * np.sin(turn), -x * np.sin(turn) + y * np.cos(turn)
        return np.exp(-0.5 * ((u / (sigma * stretch)) ** 2 + (v / sigma) ** 2))

    return sampled(brightness)


def moffat(fwhm_px, beta):
    """I ~ (1 + (r / a)^2)^-beta with a = FWHM / (2 sqrt(2^(1/beta) - 1)); Moffat 1969."""
    a = fwhm_px / (2 * np.sqrt(2 ** (1 / beta) - 1))
    return sampled(lambda x, y: (1 + (x**2 + y**2) / a**2) ** -beta)


def ring(diameter_px, eps=0.0):
    """Uniform disc with a central hole of eps times its diameter."""
    return sampled(
        lambda x, y: (np.hypot(x, y) <= diameter_px / 2) & (np.hypot(x, y) >= eps * diameter_px / 2)
    )


def images(fwhm_px, offsets, shares):
    """Sum of Gaussians at (x, y) offsets: the time-average of a moving star."""
    one = gaussian(fwhm_px)

    def stamp(dx, dy, half):
        parts = zip(offsets, shares, strict=True)
        return sum(share * one(dx + ox, dy + oy, half) for (ox, oy), share in parts)

    return stamp


def sampled(brightness):
    def stamp(dx, dy, half):
        fine = (np.arange((2 * half + 1) * POINTS) + 0.5) / POINTS - half - 0.5
        x, y = np.meshgrid(fine - dx, fine - dy)
        light = np.asarray(brightness(x, y), float)
        side = 2 * half + 1
        light = light.reshape(side, POINTS, side, POINTS).mean((1, 3))
        return light / light.sum()

    return stamp


def grid_of_stars(shape, spacing, seed, margin=None, jitter=3.0):
    """Places on a grid, moved by up to `jitter` px, so that no star touches another."""
    rng = np.random.default_rng(seed)
    margin = spacing / 2 if margin is None else margin
    ys = np.arange(margin, shape[0] - margin + 1, spacing)
    xs = np.arange(margin, shape[1] - margin + 1, spacing)
    places = np.array([(x, y) for y in ys for x in xs])
    return places + rng.uniform(-jitter, jitter, places.shape)


def paint(shape, stamp, places, fluxes, sky=500.0, noise=5.0, seed=0, half=24):
    """(H, W) float32: stars on a flat sky (number or array) with Gaussian noise."""
    picture = np.zeros(shape)
    picture += sky
    fluxes = np.broadcast_to(fluxes, len(places))
    for (x, y), flux in zip(places, fluxes, strict=True):
        column, row = round(x), round(y)
        light = flux * stamp(x - column, y - row, half)
        top, left = row - half, column - half
        y0, y1 = max(top, 0), min(row + half + 1, shape[0])
        x0, x1 = max(left, 0), min(column + half + 1, shape[1])
        picture[y0:y1, x0:x1] += light[y0 - top : y1 - top, x0 - left : x1 - left]
    picture += np.random.default_rng(seed + 1000).normal(0, noise, shape)
    return picture.astype(np.float32)


def starfield(shape=(480, 640), stamp=None, seed=0, spacing=48, **rest):
    """An everyday field: some hundred stars of very different flux."""
    # Moved by a quarter of the spacing: rows of stars must not pass for trails.
    places = grid_of_stars(shape, spacing, seed, jitter=spacing / 4)
    fluxes = 3000.0 * (1 + np.random.default_rng(seed).pareto(1.2, len(places))).clip(1, 40)
    return paint(shape, stamp or gaussian(3.0), places, fluxes, seed=seed, **rest)


def as_frame(pixels, **facts):
    return Frame(
        Path("painted.fits"), np.ascontiguousarray(pixels, np.float32), None, Facts(**facts)
    )
