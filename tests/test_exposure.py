"""Sub lengths and depths by closed form against worked numbers, astropy, galsim, Monte Carlo."""

import math

import numpy as np
import pytest
from astropy.stats import signal_to_noise_oir_ccd

from classifier.exposure import (
    factor,
    faintest_e_per_s,
    noise_excess,
    read_noise_share,
    star_area_px,
    star_snr,
    sub_length_s,
    subs_for,
    zero_point_mag,
)


@pytest.mark.parametrize(
    ("excess", "squares"), [(0.01, 49.75), (0.02, 24.75), (0.05, 9.756), (0.10, 4.762)]
)
def test_sky_needed_in_squared_read_noises(excess, squares):
    """1 / ((1 + q)^2 - 1), worked by hand: 1/0.0201, 1/0.0404, 1/0.1025, 1/0.21."""
    assert factor(excess) == pytest.approx(squares, rel=5e-4)


@pytest.mark.parametrize(
    ("read_noise", "rate", "seconds"),
    # 9.756 R^2 / E, worked by hand.
    [(1.5, 1.0, 21.95), (3.5, 0.5, 239.0), (8.0, 0.2, 3122.0)],
)
def test_sub_length_at_five_percent(read_noise, rate, seconds):
    assert sub_length_s(read_noise, rate, 0.05) == pytest.approx(seconds, rel=1e-3)
    assert noise_excess(read_noise, rate, seconds) == pytest.approx(0.05, rel=2e-3)
    # 1 - 1/1.05^2 of the variance.
    assert read_noise_share(read_noise, rate, seconds) == pytest.approx(0.0930, abs=2e-4)


def test_excess_by_monte_carlo():
    """A stack of 16 subs of 30 s against one exposure of 480 s without read noise: the ratio of
    two standard deviations of 200,000 pixels each is known to 0.22 % (1 / sqrt(n))."""
    rng = np.random.default_rng(3)
    rate, read_noise = 0.8, 3.0
    subs = rng.poisson(rate * 480, 200_000) + rng.normal(0, read_noise * 4, 200_000)
    whole = rng.poisson(rate * 480, 200_000)
    ratio = subs.std() / whole.std()
    assert ratio - 1 == pytest.approx(noise_excess(read_noise, rate, 30.0), abs=0.007)


def test_without_any_sky_no_length_is_enough():
    assert sub_length_s(2.0, 0.0, 0.05) == math.inf
    assert noise_excess(2.0, 0.0, 100.0) == math.inf
    assert read_noise_share(2.0, 0.0, 100.0) == 1.0


@pytest.mark.parametrize(
    ("star", "sky", "dark", "read_noise", "area", "seconds"),
    [(50.0, 2.0, 0.01, 3.0, 30.0, 60.0), (3.0, 0.5, 0.1, 8.0, 12.0, 300.0),
     (25.0, 0.0, 0.0, 0.0, 1.0, 1.0)],
)  # fmt: skip
def test_star_against_astropy(star, sky, dark, read_noise, area, seconds):
    """astropy.stats' CCD equation, which takes sky and dark per pixel and second."""
    expected = signal_to_noise_oir_ccd(seconds, star, sky, dark, read_noise, area)
    assert star_snr(star, sky + dark, read_noise, area, seconds) == pytest.approx(expected)
    # Worked by hand: 36.15 for the first, 5 for the third.


def test_worked_star():
    assert star_snr(50.0, 2.01, 3.0, 30.0, 60.0) == pytest.approx(36.15, abs=0.01)
    assert star_snr(50.0, 2.01, 3.0, 30.0, 60.0, subs=4) == pytest.approx(72.30, abs=0.02)


def test_number_of_subs_and_faintest_star_belong_together():
    ground = (1.2, 2.5, 25.0, 120.0)
    subs = subs_for(5.0, 0.3, *ground)
    assert star_snr(0.3, *ground, subs=subs) == pytest.approx(5.0)
    assert faintest_e_per_s(5.0, *ground, subs=subs) == pytest.approx(0.3)
    # A magnitude deeper below the sky takes 10^0.8 = 6.31 times the subs; nearly so here.
    assert subs_for(5.0, 0.03 / 2.512, *ground) / subs_for(5.0, 0.03, *ground) == pytest.approx(
        6.31, rel=0.01
    )


def test_area_of_a_gaussian_star():
    """1 / sum of squares of galsim's profile drawn without pixels."""
    galsim = pytest.importorskip("galsim")
    drawn = galsim.Gaussian(fwhm=3.0).drawImage(nx=161, ny=161, scale=0.2, method="no_pixel").array
    assert star_area_px(3.0) == pytest.approx(0.2**2 / np.sum(drawn.astype(float) ** 2), rel=1e-3)


def test_star_by_monte_carlo():
    """A faint star fitted with its own profile on a bright sky: 3,000 trials tell the scatter to
    1.3 %; four of that."""
    rng = np.random.default_rng(6)
    y, x = np.mgrid[-12:13, -12:13]
    sigma = 3.0 / 2.35482
    profile = np.exp(-(x**2 + y**2) / (2 * sigma**2)) / (2 * np.pi * sigma**2)
    sky, read_noise, light, seconds = 4.0, 3.0, 10.0, 60.0
    pictures = rng.poisson(sky * seconds + light * seconds * profile, (3000, 25, 25))
    pictures = pictures + rng.normal(0, read_noise, pictures.shape) - sky * seconds
    fluxes = (pictures * profile).sum((1, 2)) / np.sum(profile**2)
    expected = star_snr(light, sky, read_noise, star_area_px(3.0), seconds)
    assert fluxes.mean() / fluxes.std() == pytest.approx(expected, rel=0.055)


def test_zero_point_of_a_small_telescope():
    """Aperture 100 mm, 100 nm, half of the light: magnitude 15 gives 39.1 electrons a second
    (996 photons per s, cm^2 and A at magnitude 0, worked by hand)."""
    zero = zero_point_mag(100.0, 100.0, 0.5)
    assert 10 ** (0.4 * (zero - 15.0)) == pytest.approx(39.1, rel=0.002)
