"""The fitted sky against painted ones that follow its own formula."""

import numpy as np
import pytest

from classifier.background import SkyPicture
from classifier.sky_model import SkyModel, fit_sky


def fitted(sky: np.ndarray) -> SkyModel:
    level = (sky + np.random.default_rng(3).normal(0, 0.1, sky.shape)).astype(np.float32)
    valid = np.ones(level.shape, bool)
    return fit_sky(SkyPicture(level, valid, 16, level, 16, 0, 0, 0.1))


def left_of_beam(shift: np.ndarray, stop: float) -> np.ndarray:
    """Share of a round beam of radius 1 that passes a round stop whose middle lies `shift` away:
    points of the beam, evenly strewn, that lie in it."""
    angle = np.pi * (3 - 5**0.5) * np.arange(20_000)  # a sunflower's seeds
    radius = np.sqrt((np.arange(20_000) + 0.5) / 20_000)
    x, y = radius * np.cos(angle), radius * np.sin(angle)
    tabled = np.linspace(0, shift.max(), 200)
    share = [(np.hypot(x + away, y) < stop).mean() for away in tabled]
    return np.interp(shift, tabled, share)


@pytest.mark.parametrize(("begins", "centre"), [(0.75, (0, 0)), (0.8, (0, 0)), (0.8, (0.06, 0.03))])
def test_a_small_filter_takes_light_from_the_last_of_the_field(begins, centre):
    """Full light up to `begins` of the half diagonal, then less as two circles part: geometry."""
    high, wide = 120, 180
    diagonal = np.hypot(high, wide) / 2
    x = (np.arange(wide) - (wide - 1) / 2) / diagonal - centre[0]
    y = (np.arange(high)[:, None] - (high - 1) / 2) / diagonal - centre[1]
    stop = 3.0
    left = left_of_beam(np.hypot(x, y) * (stop - 1) / begins, stop)
    lost = 1 - left[[0, 0, -1, -1], [0, -1, 0, -1]].mean()
    model = fitted(1000.0 * left)
    found = 1 - model.corner_adu / model.centre_adu
    assert lost > 0.15
    # Corners are seen in cells of a 32nd of the longer side, so that the very last is missed.
    assert 0.7 * lost < found < 1.05 * lost


def test_one_dark_corner_or_side_is_no_vignetting():
    """A shadow or a cloud; the strip of a sensor that sees no sky darkens two corners."""
    for part in ((slice(12), slice(12)), (slice(None), slice(4)), (slice(-5, None), slice(None))):
        shaded = np.full((120, 180), 1000.0)
        shaded[part] = 500.0
        assert fitted(shaded).corner_adu == pytest.approx(1000.0, rel=0.01)


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
