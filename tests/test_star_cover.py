"""The cells under stars, held to distances by scipy."""

import numpy as np
import pytest
from scipy.spatial.distance import cdist

from classifier.star_cover import MOST_STARS, Grid, star_cover

STAR = [("x", float), ("y", float), ("peak", float), ("saturated", bool)]


def some_stars(count: int, width_px: int, height_px: int, seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    stars = np.zeros(count, dtype=STAR)
    stars["x"], stars["y"] = rng.uniform(-20, (width_px + 20, height_px + 20), (count, 2)).T
    stars["peak"] = np.sort(10 ** rng.uniform(1, 5, count))[::-1]
    stars["saturated"] = stars["peak"] > 5e4
    return stars


# Some thousand small stars are stamped together, a few large ones one by one.
@pytest.mark.parametrize(
    ("count", "step_px", "fwhm_px"), [(6, 2, 4.0), (40, 1, 3.0), (3500, 4, 1.5)]
)
def test_cells_under_a_star_are_those_within_its_reach(count, step_px, fwhm_px):
    grid = Grid((60, 80), step_px, 3, 5)
    stars = some_stars(count, 80 * step_px, 60 * step_px, count)
    covered = star_cover(grid, stars, fwhm_px, noise_adu=10.0)
    y, x = (axis.ravel() * step_px + (step_px - 1) / 2 for axis in np.indices(grid.shape))
    kept = stars[:MOST_STARS]
    away_px = cdist(np.stack((x + 3, y + 5), 1), np.stack((kept["x"], kept["y"]), 1))
    # As the docstring has it: the fourth root of the peak over the noise, and 0.7 cells more.
    high = np.maximum(kept["peak"] / 10.0, 5.0) ** 0.25 * np.where(kept["saturated"], 1.6, 1.0)
    reach_px = 1.1 * fwhm_px * high + 0.7 * step_px
    expected = (away_px <= reach_px).any(1).reshape(grid.shape)
    assert 0.02 < expected.mean() <= 1
    assert (covered == expected).mean() > 0.999  # but for what rounding does at the very edge


def test_higher_stars_are_covered_as_one_of_the_height_that_is_set():
    grid, one = Grid((60, 80), 1, 0, 0), np.zeros(1, dtype=STAR)
    one["x"], one["y"], one["peak"], one["saturated"] = 40, 30, 6e5, True
    y, x = np.indices(grid.shape)
    limited = star_cover(grid, one, 4.0, 10.0, highest=81.0)
    # 1.1 x 4 px x 3, the fourth root of 81, and 0.7 cells more.
    assert (limited == (np.hypot(x - 40, y - 30) <= 13.9)).all()
    assert star_cover(grid, one, 4.0, 10.0).sum() > 5 * limited.sum()


def test_picture_without_noise_is_covered_at_once():
    # A drawing has no noise at all, so its stars reach without end.
    stars = some_stars(200, 80, 60, 1)
    assert star_cover(Grid((60, 80), 1, 0, 0), stars, 3.0, noise_adu=0.0).all()
