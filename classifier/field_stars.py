"""The stars of a whole frame as a pattern: their places, brightest first, from every corner.

    stars = field_stars(frame)      # (n, 3) float32 x, y, flux in pixels of the file

The measures look at windows of large frames, which is enough to judge stars and too little to find
two pictures' common part; here large frames are binned and seen whole. Saturated stars count too:
their places are good. Hot pixels do not: they lie at the same place in every sub and would make
the sensor match itself instead of the sky.
"""

import math

import numpy as np
from scipy.ndimage import convolve1d

from classifier.background import WHOLE_PX, measure_background
from classifier.detection import binned
from classifier.frame import Frame
from classifier.pixel_defects import hot_mask, is_mosaic, pixel_noise, without_hot
from classifier.stars import find_stars

Array = np.ndarray

KEPT = 400
STRIP_ROWS = 512
OVERLAP_ROWS = 8  # hot pixels are looked for with a margin of six rows
LEAST_SNR = 8.0


def field_stars(frame: Frame) -> Array:
    """(n, 3) float32 x, y, flux in ADU of up to 400 stars of the whole frame, brightest first."""
    pixels = frame.pixels
    if min(pixels.shape) < 32:
        return np.zeros((0, 3), np.float32)
    factor, bayer = 1, frame.facts.bayer
    if pixels.size > WHOLE_PX:
        pixels, factor = small_picture(pixels, bayer)
        bayer = None
    found = find_stars(measure_background(pixels, bayer), frame.facts.saturation_adu).stars
    # Streaks and the pieces of a trail are no places.
    good = found[(found["snr"] > LEAST_SNR) & ~found["long"]]
    if len(good) < 0.5 * len(found):
        good = found[found["snr"] > LEAST_SNR]  # all are long: the mount moved
    good = good[:KEPT]
    offset = (factor - 1) / 2
    x, y = good["x"] * factor + offset, good["y"] * factor + offset
    return np.stack((x, y, good["flux"] * factor**2), 1).astype(np.float32)


def small_picture(pixels: Array, bayer: str | None) -> tuple[Array, int]:
    """A large frame without hot pixels, binned to at most `WHOLE_PX`, and the factor.

    Averages of an even number of rows and columns are free of the colour mosaic. A little
    smoothing keeps stars that binning made as narrow as a pixel from passing for hot pixels.
    """
    noise = pixel_noise(pixels)
    mosaic = bool(bayer) or is_mosaic(pixels, noise)
    factor = math.ceil((pixels.size / WHOLE_PX) ** 0.5)
    factor += factor % 2 if mosaic else 0
    strips = []
    rows = STRIP_ROWS // factor * factor
    for top in range(0, pixels.shape[0] // factor * factor, rows):
        first = max(0, top - OVERLAP_ROWS)
        strip = pixels[first : top + rows + OVERLAP_ROWS]
        clean = without_hot(strip, hot_mask(strip, noise, mosaic), mosaic)
        strips.append(binned(clean[top - first : top - first + rows], factor))
    picture = np.concatenate(strips)
    for axis in (0, 1):
        picture = convolve1d(picture, np.array([0.25, 0.5, 0.25], np.float32), axis=axis)
    return np.ascontiguousarray(picture, np.float32), factor
