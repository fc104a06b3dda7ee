"""A bad column told from a trail that runs along the columns, by its section pixel by pixel.

A column (row) of the sensor that reads too much is one whole column wide, or two, with nothing in
its neighbours. The light of a trail went through the same air and optics as that of the stars: it
is as wide as they are or wider, lies anywhere between two pixels and as a rule leaves the column
on its way. Both are fitted to the mean section; the better fit decides.
"""

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import erf

Array = np.ndarray

TRAIL, DEFECT, UNCLEAR = "trail", "defect", "unclear"
KEPT = 0.6  # of the pixels along each column: the rest are stars, rays and flashes
# Variance of a mean of the middle 60 % of normal deviates over that of all (Monte Carlo).
TRIMMED_NOISE = 1.2
ASIDE_PX = 3.0
WIDTHS = (0.85, 1.2, 1.7, 2.5)  # times the stars' own
LEAST_SIGMA_PX = 0.45
CLEARLY = 9.0  # difference of chi squared: three sigma
BANDED = 1.5
BURNT = 0.98  # of the level at which pixels saturate


@dataclass(frozen=True)
class Sensor:
    """The frame as stored: pixels (H, W), noise of one, level at which they saturate or None."""

    pixels: Array
    noise_adu: float
    saturation_adu: float | None = None


def line_kind(sensor: Sensor, ends: Array, fwhm_px: float) -> str:
    """TRAIL, DEFECT or UNCLEAR for a line x0, y0, x1, y1 (frame pixels) near a column or row.

    fwhm_px: of the stars. UNCLEAR also where the line leads through a burnt-out star: charge
    spills along the columns.
    """
    x0, y0, x1, y1 = (float(v) for v in ends)
    pixels = sensor.pixels
    if abs(x1 - x0) > abs(y1 - y0):
        pixels, x0, y0, x1, y1 = pixels.T, y0, x0, y1, x1
    if y1 < y0:
        x0, y0, x1, y1 = x1, y1, x0, y0
    sigma = max(fwhm_px / 2.3548, 0.5)
    reach = math.ceil(ASIDE_PX + 8 * sigma + 12)
    top, bottom = max(0, math.ceil(y0)), min(pixels.shape[0], math.floor(y1) + 1)
    left = max(0, math.floor(min(x0, x1)) - reach)
    right = min(pixels.shape[1], math.ceil(max(x0, x1)) + reach + 1)
    if bottom - top < 16 or right - left < 2 * ASIDE_PX + 6:
        return UNCLEAR
    strip = pixels[top:bottom, left:right].astype(np.float32)
    rows = np.arange(top, bottom)
    centre = x0 + (x1 - x0) * (rows - y0) / max(y1 - y0, 1e-6) - left
    if _burnt(strip, centre, sensor.saturation_adu):
        return UNCLEAR
    section, error = _section(strip, sensor.noise_adu)
    best_trail = _best_trail(section, centre, sigma)
    one, two = ((best_trail - _best_columns(section, centre, width)) / error**2 for width in (1, 2))
    if min(one, two) > CLEARLY:
        return TRAIL
    # Two columns and a narrow trail between them are the same light.
    return DEFECT if one < 0 or two < -CLEARLY else UNCLEAR


def _burnt(strip: Array, centre: Array, saturation_adu: float | None) -> bool:
    """Whether a few of the rows are burnt out on the line; a trail that saturates has many."""
    if saturation_adu is None:
        return False
    columns = np.rint(centre[:, None] + np.arange(-1, 2)).astype(int).clip(0, strip.shape[1] - 1)
    full = (np.take_along_axis(strip, columns, 1) >= BURNT * saturation_adu).any(1)
    return 0 < float(full.mean()) < 0.3


def _section(strip: Array, noise_adu: float) -> tuple[Array, float]:
    """Mean of every column above its neighbours of the same colour, and the error of each."""
    light = strip.copy()
    for phase in (0, 1):
        light[:, phase::2] -= np.median(light[:, phase::2], axis=1, keepdims=True)
    light.sort(axis=0)
    spare = round(len(light) * (1 - KEPT) / 2)
    section = light[spare : len(light) - spare].mean(0, dtype=np.float64)
    section -= np.median(section)
    scatter = 1.4826 * float(np.median(np.abs(section)))
    error = max(noise_adu * math.sqrt(TRIMMED_NOISE / len(light)), 1e-9)
    # Of some forty columns the scatter is known to a sixth: only what is far more is no noise.
    return section, scatter if scatter > BANDED * error else error


def _gain(section: Array, models: Array) -> float:
    """What the best of (n, columns) models, each with a free positive height, explains of the
    sum of squares."""
    along = np.maximum(models @ section, 0.0)
    return float((along**2 / np.maximum((models**2).sum(1), 1e-12)).max())


def _best_columns(section: Array, centre: Array, width: int) -> float:
    """So many whole columns beside each other, wherever the line passes."""
    columns = np.arange(len(section))
    low, high = centre.min() - ASIDE_PX, centre.max() + ASIDE_PX
    after = columns - columns[(columns >= low) & (columns <= high)][:, None]
    return _gain(section, ((after >= 0) & (after < width)).astype(float))


def _best_trail(section: Array, centre: Array, sigma: float) -> float:
    """A Gaussian that moves with the line, or stays in its column as the line nearly does,
    integrated over the pixels."""
    edges = np.arange(len(section) + 1) - 0.5
    moving = centre[:: max(1, len(centre) // 32)]
    models = []
    for path in (moving, centre.mean(keepdims=True)):
        for width in WIDTHS:
            size = max(width * sigma, LEAST_SIGMA_PX) * math.sqrt(2)
            for aside in np.arange(-ASIDE_PX, ASIDE_PX + 0.1, 0.25):
                steps = erf((edges - (path + aside)[:, None]) / size)
                models.append(np.diff(steps, axis=1).mean(0))
    return _gain(section, np.array(models))
