"""Light moved, dimmed or added to has the noise of a frame taken so: variance and whiteness."""

import numpy as np
import pytest
from graft_source import READ_E, SIDE, noisy, star_field
from scipy import ndimage

from synth.grain import sky_grain
from synth.renoise import add, dim, laid_down, smear

# A sample variance of n white Gaussian pixels scatters by sqrt(2 / n): 0.28 % of 512 x 512; a
# correlation by 1 / sqrt(n) = 0.2 %. Four of each.
VARIANCE, CORRELATION = 4 * (2 / SIDE**2) ** 0.5, 4 / SIDE

SMEARS = {
    "drift": laid_down(np.linspace(-4, 4, 128)[:, None] * np.array([[0.8, 0.6]])),
    "jump": laid_down(np.array([[0, 0], [0, 0], [5.3, -2.2]])),
    "small": laid_down(np.linspace(-0.5, 0.5, 64)[:, None] * np.array([[0.0, 1.0]])),
}


def test_steps_that_have_nothing_to_do_return_the_light_itself():
    """Not by a short cut: with a point as kernel, a share of 1 and no light to add."""
    light, rng = noisy(star_field()), np.random.default_rng(2)
    assert np.array_equal(smear(light, laid_down(np.zeros((5, 2))), READ_E, rng), light)
    assert np.array_equal(dim(light, np.ones_like(light), READ_E, rng), light)
    assert np.array_equal(add(light, np.zeros_like(light), rng), light)


def assert_white(part: np.ndarray, variance: float) -> None:
    part = part - part.mean()
    assert part.var() == pytest.approx(variance, rel=VARIANCE)
    for dy, dx in ((0, 1), (1, 0), (1, 1), (0, 2), (2, 1), (3, 2)):
        shifted = part[dy:, dx:]
        product = (shifted * part[: part.shape[0] - dy, : part.shape[1] - dx]).mean()
        assert abs(product / part.var()) < CORRELATION, (dy, dx)


@pytest.mark.parametrize("name", SMEARS)
@pytest.mark.parametrize("sky_e", [60.0, 3000.0])
def test_smeared_sky_has_the_noise_of_a_sky(name, sky_e):
    light = noisy(np.full((SIDE, SIDE), sky_e))
    after = smear(light, SMEARS[name], READ_E, np.random.default_rng(3))
    # Poisson light of sky_e and the read noise, whatever the kernel: as if never smeared.
    assert_white(after, sky_e + READ_E**2)
    # The mean scatters by sqrt(variance / n).
    assert after.mean() == pytest.approx(light.mean(), abs=4 * (sky_e + 16) ** 0.5 / SIDE)


def test_smeared_light_has_the_noise_of_its_own_brightness():
    """A sky that rises from 100 to 2,000 electrons in a wide ramp: photon noise goes with it."""
    ramp = np.linspace(100, 2000, SIDE)[None].repeat(SIDE, 0)
    after = smear(noisy(ramp), SMEARS["drift"], READ_E, np.random.default_rng(3))
    noise = [piece.var() for piece in np.array_split((after - ramp)[:, 16:-16], 4, 1)]
    model = [piece.mean() + READ_E**2 for piece in np.array_split(ramp[:, 16:-16], 4, 1)]
    # A quarter of the pixels: twice the scatter of the whole.
    assert noise == pytest.approx(model, rel=2 * VARIANCE)


@pytest.mark.parametrize("share", [0.9, 0.5, 0.1])
def test_dimmed_light_is_poisson_again(share):
    light = noisy(np.full((SIDE, SIDE), 400.0))
    after = dim(light, share, READ_E, np.random.default_rng(3))
    assert_white(after, share * 400 + READ_E**2)
    assert after.mean() == pytest.approx(share * 400, abs=4 * (share * 400 + 16) ** 0.5 / SIDE)


def test_added_light_brings_its_own_noise():
    light = noisy(np.full((SIDE, SIDE), 400.0))
    assert_white(add(light, np.full_like(light, 250.0), np.random.default_rng(3)), 650 + READ_E**2)


LAGS = ((0, 0), (0, 1), (1, 0), (1, 1), (0, 2), (2, 1))


def covariances(part: np.ndarray) -> np.ndarray:
    part = part - part.mean()
    height, width = part.shape
    return np.array(
        [(part[dy:, dx:] * part[: height - dy, : width - dx]).mean() for dy, dx in LAGS]
    )


@pytest.mark.parametrize("name", SMEARS)
def test_a_resampled_sky_keeps_its_grain(name):
    """Noise of a frame shifted by interpolation and scaled: half as strong as its light says."""
    light = 600 + 0.5 * ndimage.gaussian_filter(noisy(np.full((SIDE, SIDE), 600.0)) - 600, 0.7)
    before = covariances(light)
    after = covariances(
        smear(light, SMEARS[name], READ_E, np.random.default_rng(3), sky_grain(light))
    )
    # A covariance scatters by sqrt(2 sum rho^2 / n) of the variance (Bartlett 1946); for a Gaussian
    # of sigma s the sum of squared correlations over the plane is 2 pi s^2, here 3.1. Four of
    # that twice over, and a percent for correlations that are cut off as chance.
    scatter = 4 * 2 * (2 * 3.1) ** 0.5 / SIDE + 0.01
    assert after == pytest.approx(before, abs=scatter * before[0])
    white = covariances(smear(light, SMEARS[name], READ_E, np.random.default_rng(3)))
    assert white[0] > 1.3 * before[0], "without the grain the noise would jump"


def test_a_white_sky_has_no_grain():
    grain = sky_grain(noisy(np.full((SIDE, SIDE), 600.0)))
    assert np.count_nonzero(grain.correlation) == 1
    assert grain.variance == pytest.approx(600 + READ_E**2, rel=0.01)
    assert np.ptp(grain.spectrum((64, 64))) < 1e-9


def test_stars_are_no_grain():
    """Forty Gaussian stars on a sky of 200 e: what they leave under 3.5 sigma is little."""
    grain = sky_grain(noisy(star_field()))
    assert grain.variance == pytest.approx(200 + READ_E**2, rel=0.05)
