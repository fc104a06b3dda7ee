"""The fitted sky against painted ones that follow its own formula."""

import numpy as np
import pytest

from classifier.background import SkyPicture
from classifier.sky_model import fit_sky


@pytest.mark.parametrize("centre", [(0.0, 0.0), (0.2, -0.1)])
def test_vignetting_about_another_centre_is_no_gradient(centre):
    """The painted sky is the model's own formula, so its terms must come back as they were put in;
    r = 1 in the corners, the centre in half diagonals."""
    high, wide = 120, 180
    diagonal = np.hypot(high, wide) / 2
    x = (np.arange(wide) - (wide - 1) / 2) / diagonal - centre[0]
    y = (np.arange(high)[:, None] - (high - 1) / 2) / diagonal - centre[1]
    r2 = x**2 + y**2
    light = 1000.0 * (1 - 0.25 * r2 + 0.05 * r2**2)

    def fitted(sky):
        level = (sky + np.random.default_rng(3).normal(0, 0.1, sky.shape)).astype(np.float32)
        valid = np.ones(level.shape, bool)
        return fit_sky(SkyPicture(level, valid, 16, level, 16, 0, 0, 0.1))

    model = fitted(light)
    if centre == (0.0, 0.0):
        assert model.centre_adu == pytest.approx(1000.0, abs=1.0)
        assert model.corner_adu == pytest.approx(800.0, abs=2.0)
        assert model.gradient_adu < 1.0
        assert np.abs(model.surface - light).max() < 1.0
    else:
        assert model.gradient_adu > 30.0 and model.off_centre
    tilted = fitted(light + 200.0 * y)
    # 200 ADU per half diagonal, from the first row's centre to the last one's.
    rise = 200.0 * (high - 1) / diagonal
    if centre == (0.0, 0.0):
        assert tilted.gradient_adu == pytest.approx(rise, rel=0.02)
        assert tilted.direction_deg == pytest.approx(90.0, abs=0.5)
        assert not tilted.off_centre
