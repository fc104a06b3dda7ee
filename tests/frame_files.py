"""Files for the tests of frames: random pictures, mosaics, and a reader that checks promises."""

import numpy as np
from astropy.io import fits

from classifier.frame import read_frame

SHAPE = (40, 56)


def picture(dtype, low, high, seed=0, shape=SHAPE):
    """Random values over the whole range given, with both ends present."""
    rng = np.random.default_rng(seed)
    if np.dtype(dtype).kind == "f":
        values = rng.uniform(low, high, shape).astype(dtype)
    else:
        values = rng.integers(low, high, shape, dtype=dtype, endpoint=True)
    values.flat[0], values.flat[-1] = low, high
    return values


def write(path, data, **cards):
    hdu = fits.PrimaryHDU(data)
    hdu.header.update(cards)
    hdu.writeto(path)
    return path


def read(path, **options):
    """read_frame with every promise of the Frame checked."""
    frame = read_frame(path, **options)
    assert frame.pixels.dtype == np.float32 and frame.pixels.dtype.isnative
    assert frame.pixels.ndim == 2 and frame.pixels.flags.c_contiguous
    assert np.isfinite(frame.pixels).all()
    if frame.planes is not None:
        assert frame.planes.dtype == np.float32 and frame.planes.shape[1:] == frame.pixels.shape
    return frame


def mosaic(order, shape, red=300.0, green=900.0, blue=500.0, noise=5.0, seed=1):
    """A sky of three colours behind the 2 x 2 cell `order`, read from array row 0 on."""
    height, width = shape
    level = {"R": red, "G": green, "B": blue}
    y, x = np.mgrid[:height, :width]
    cell = np.array([[level[order[0]], level[order[1]]], [level[order[2]], level[order[3]]]])
    return cell[y % 2, x % 2] + np.random.default_rng(seed).normal(0, noise, shape)
