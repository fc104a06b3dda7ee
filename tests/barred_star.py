"""A star whose aperture is crossed by bars, by the Fourier optics of its pupil, among faint stars.

A bar across the pupil spreads light at right angles to itself, both ways alike (Fraunhofer; the
Fourier transform of a real pupil is symmetric).
"""

import numpy as np
from scipy import ndimage

SIZE, FINE = 320, 1024


def image_of(bars, vanes=0, seed=1, place=(150.0, 170.0)):
    """A bright star, its pupil crossed by bars (direction deg) and vanes, among faint ones."""
    y, x = np.mgrid[:FINE, :FINE] - FINE // 2
    radius = 0.25 * FINE / 2
    pupil = (np.hypot(x, y) < radius).astype(float)
    for deg, width, is_half in [
        *((bar, 0.03, False) for bar in bars),
        *((20.0 + 360.0 * k / vanes, 0.03, True) for k in range(vanes)),
    ]:
        c, s = np.cos(np.deg2rad(deg)), np.sin(np.deg2rad(deg))
        hit = np.abs(y * c - x * s) < width * radius
        pupil[hit & ((x * c + y * s > 0) | (not is_half))] = 0
    light = np.abs(np.fft.fftshift(np.fft.fft2(np.fft.ifftshift(pupil)))) ** 2
    star = ndimage.gaussian_filter(light / light.sum(), 2.0)
    rng = np.random.default_rng(seed)
    column, row = round(place[0]), round(place[1])
    top, left = FINE // 2 - row, FINE // 2 - column
    frame = 4e6 * star[top : top + SIZE, left : left + SIZE]
    near = ndimage.gaussian_filter(_points(rng), 2.0)
    return (frame + near + 500 + rng.normal(0, 12, frame.shape)).astype(np.float32)


def _points(rng):
    points = np.zeros((SIZE, SIZE))
    xs, ys = rng.integers(0, SIZE, (2, 60))
    points[ys, xs] = rng.uniform(5e3, 6e4, 60)
    return points
