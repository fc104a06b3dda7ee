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


def star_cover(
    grid: Grid, stars: Array, fwhm_px: float, noise_adu: float, highest: float = np.inf
) -> Array:
    """(h, w) bool, true under the brightest stars.

    stars: as `find_stars` gives them. Wings that fall as r^-4 between the core (Moffat 1969,
    A&A 3, 455) and the aureole (r^-2) sink into the noise at a radius that grows as the fourth
    root of the peak; the factor and the allowance for saturation are by trial on real frames.
    highest: of the peak over the noise; stars above it are covered no further than one of that
    height, and their wings can be seen.
    """
    covered = np.zeros(grid.shape, bool)
    high = np.maximum(stars["peak"] / max(noise_adu, 1e-9), 5.0)
    radius = fwhm_px * 1.1 * high**0.25 * np.where(stars["saturated"], 1.6, 1.0)
    radius = np.minimum(radius, fwhm_px * 1.1 * highest**0.25)
    reaches = radius / grid.step_px + 0.7
    centres_x = (stars["x"] - grid.x0 + 0.5) / grid.step_px - 0.5
    centres_y = (stars["y"] - grid.y0 + 0.5) / grid.step_px - 0.5
    brightest = slice(0, MOST_STARS)
    places = np.stack((centres_x, centres_y, reaches), 1)[brightest]
    whole = np.ceil(places[:, 2]).astype(int)
    for size in np.unique(whole):
        group = places[whole == size]
        if len(group) < (2 * size + 1) ** 2:
            for place in group:
                _cover_one(covered, place)
        else:
            _cover_alike(covered, group, size)
    return covered


def _cover_one(covered: Array, place: Array) -> None:
    """Cover the cells of one star, (3,) x, y and reach in cells, in place."""
    column, row, reach = place
    first = np.ceil([row - reach, column - reach]).clip(0, covered.shape).astype(int)
    last = np.floor([row + reach + 1, column + reach + 1]).clip(0, covered.shape).astype(int)
    (top, left), (bottom, right) = first, last
    away2 = np.add.outer(
        (np.arange(top, bottom) - row) ** 2, (np.arange(left, right) - column) ** 2
    )
    covered[top:bottom, left:right] |= away2 <= reach**2


def _cover_alike(covered: Array, group: Array, size: int) -> None:
    """The same for many small stars of about one size, (n, 3), one offset after the other."""
    height, width = covered.shape
    column, row = np.rint(group[:, 0]).astype(int), np.rint(group[:, 1]).astype(int)
    for dy in range(-size, size + 1):
        for dx in range(-size, size + 1):
            x, y = column + dx, row + dy
            near = (x - group[:, 0]) ** 2 + (y - group[:, 1]) ** 2 <= group[:, 2] ** 2
            near &= (x >= 0) & (y >= 0) & (x < width) & (y < height)
            covered[y[near], x[near]] = True
