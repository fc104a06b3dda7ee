"""The slow part of the sky against SciPy's median filter over the whole window."""

import numpy as np
import pytest
from scipy import ndimage

from classifier.night_slow_sky import slow_sky


@pytest.mark.parametrize("shape, size", [((64, 85), 43), ((50, 63), 25), ((12, 16), 5)])
def test_as_the_median_filter_gives_it(shape, size):
    rng = np.random.default_rng(3)
    y, x = np.mgrid[: shape[0], : shape[1]] / max(shape)
    slope = 0.2 * x - 0.1 * y**2
    stars = 30 * (rng.random(shape) < 0.03)
    sky = slope + stars + rng.normal(0, 0.02, shape)
    wanted = ndimage.median_filter(sky, size=size, mode="reflect")
    # Medians of blocks scatter less than their cells; a fifth of a cell's noise is nothing.
    assert np.abs(slow_sky(sky, size) - wanted).max() < 0.02
    assert np.std(slow_sky(sky, size) - wanted) < 0.004
