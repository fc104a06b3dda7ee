"""Which cells of a binned picture lie under stars or their wings."""

from dataclasses import dataclass

import numpy as np

Array = np.ndarray

MOST_STARS = 3000


@dataclass(frozen=True)
class Grid:
    """A binned picture: (h, w) cells of step_px frame pixels, beginning at pixel (x0, y0)."""

    shape: tuple[int, ...]
    step_px: int
    x0: int
    y0: int


def star_cover(grid: Grid, stars: Array, fwhm_px: float, noise_adu: float) -> Array:
    """(h, w) bool, true under the brightest stars.

    stars: as `find_stars` gives them. A star's wings fall as r^-2 beta with beta near 2.5
    (Moffat 1969, A&A 3, 455), so the radius at which they sink into the noise grows as the
    fifth root of the peak.
    """
    covered = np.zeros(grid.shape, bool)
    height, width = covered.shape
    high = np.maximum(stars["peak"] / max(noise_adu, 1e-9), 5.0)
    radius = fwhm_px * 0.9 * high**0.2 * np.where(stars["saturated"], 1.6, 1.0)
    reaches = radius / grid.step_px + 0.7
    centres_x = (stars["x"] - grid.x0 + 0.5) / grid.step_px - 0.5
    centres_y = (stars["y"] - grid.y0 + 0.5) / grid.step_px - 0.5
    places = zip(
        centres_x[:MOST_STARS].tolist(),
        centres_y[:MOST_STARS].tolist(),
        reaches[:MOST_STARS].tolist(),
        strict=True,
    )
    for column, row, reach in places:
        top, bottom = max(0, int(row - reach)), min(height, int(row + reach) + 2)
        left, right = max(0, int(column - reach)), min(width, int(column + reach) + 2)
        rows, columns = np.ogrid[top:bottom, left:right]
        covered[top:bottom, left:right] |= (rows - row) ** 2 + (columns - column) ** 2 <= reach**2
    return covered
