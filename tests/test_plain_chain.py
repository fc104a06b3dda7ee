"""A large frame, seen through windows and binned pictures, gives the numbers of the plain chain.

The plain chain is what a short script does with all pixels: sep.Background, subtract, sep.extract
at 5 sigma, flux_radius.
"""

import numpy as np
import pytest
import sep
from painted_sky import as_frame, gaussian, grid_of_stars, paint

from classifier.background import WHOLE_PX, measure_background
from classifier.measures import measure_frame
from classifier.stars import find_stars

SHAPE = (1900, 2400)
SKY, NOISE, FWHM = 700.0, 8.0, 3.4


@pytest.fixture(scope="module")
def frame():
    """1,000 stars of S/N 25 to 250 on a sky that rises by 60 ADU from left to right."""
    assert SHAPE[0] * SHAPE[1] > WHOLE_PX
    places = grid_of_stars(SHAPE, 67, 2, jitter=16.0)
    fluxes = 8000 * 10 ** np.random.default_rng(2).uniform(0, 1, len(places))
    ramp = np.linspace(0, 60, SHAPE[1])[None]
    return as_frame(paint(SHAPE, gaussian(FWHM), places, fluxes, SKY + ramp, NOISE, half=10))


@pytest.fixture(scope="module")
def plain(frame):
    data = frame.pixels.copy()
    background = sep.Background(data)
    sky = background.back()
    data -= sky
    objects = sep.extract(data, 5.0, err=background.globalrms)
    radius, _ = sep.flux_radius(
        data, objects["x"], objects["y"], np.full(len(objects), 9.0), 0.5, subpix=5
    )
    return {
        "sky": float(np.median(sky)),
        "noise": background.globalrms,
        "x": objects["x"],
        "y": objects["y"],
        "count": len(objects),
        "radius": float(np.median(radius)),
        "angle": objects["theta"],
    }


def test_sky_and_noise(frame, plain):
    background = measure_background(frame.pixels, overview=frame.overview)
    # The meshes' mode and the median of cells differ by what stars and noise do to each: a tenth
    # of the noise is far more than either's own error on millions of pixels.
    assert background.level_adu == pytest.approx(plain["sky"], abs=0.1 * NOISE)
    assert background.noise_adu == pytest.approx(plain["noise"], rel=0.03)
    for window in background.windows:
        assert window.noise_adu == pytest.approx(plain["noise"], rel=0.06)
        assert abs(float(np.median(window.light))) < 0.05 * NOISE


def test_count_positions_and_half_flux_radius(frame, plain):
    background = measure_background(frame.pixels, overview=frame.overview)
    stars = find_stars(background).stars
    numbers = measure_frame(frame).numbers
    # The windows hold half of the stars of a jittered grid, which scatter less than Poisson's
    # sqrt(500) = 4.5 %.
    assert background.sampled_share == pytest.approx(9 * 512**2 / (1900 * 2400), rel=1e-6)
    assert numbers["star_count"] == pytest.approx(plain["count"], rel=0.07)
    # Every star that the windows show is one of the plain chain, in the same place: barycentres
    # above a threshold against windowed ones, S/N 25 and more, so 0.06 px at most each.
    apart = np.hypot(
        stars["x"][:, None] - plain["x"][None], stars["y"][:, None] - plain["y"][None]
    ).min(1)
    assert np.percentile(apart, 98) < 0.2
    # The plain chain's radius holds the aperture's own 1/12 px^2 twice over (see find_stars).
    aperture = 2 * np.log(2) / 12
    assert numbers["hfr_px"] == pytest.approx((plain["radius"] ** 2 - aperture) ** 0.5, rel=0.03)


def test_the_half_size_picture_at_hand_changes_nothing(frame):
    with_half = measure_background(frame.pixels, overview=frame.overview)
    without = measure_background(frame.pixels)
    assert with_half.picture.mean_step_px == without.picture.mean_step_px == 2
    # Sums of the same four float32 in another order: a unit in the last place of 1000 is 6e-5.
    np.testing.assert_allclose(with_half.picture.mean, without.picture.mean, atol=3e-4)
    assert with_half.level_adu == pytest.approx(without.level_adu, abs=1e-3)
