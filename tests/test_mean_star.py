"""The mean star: where noise outweighs it, or pixels are as wide as it is, no shape is claimed."""

import numpy as np
import pytest

from classifier.mean_star import _skew, mean_star
from classifier.star_evidence import miscollimation


def star(centre_px=0.0, ring=0.0):
    """(33, 33) Gaussian of sigma 2 px with unit sum, a negative ring about it."""
    axis = np.arange(-16, 17, dtype=float)
    x, y = np.meshgrid(axis, axis)
    inner = np.exp(-((x - centre_px) ** 2 + y**2) / 8.0)
    outer = np.exp(-((np.hypot(x, y) - 8.0) ** 2) / 2.0)
    return inner / inner.sum() - ring * outer / outer.sum()


def test_sky_below_nothing_round_a_star_is_no_lopsidedness():
    """Second moments below zero have no power of 3/2: nothing is said, and nothing fails."""
    # Weight of variance 16. Star: 2 x 3.2 px^2 of 16 / 20 of its light, 5.1. Ring of -1.5 at 8 px:
    # -1.5 exp(-2) x 64 = -13. The light itself stays above nothing: 0.8 - 0.2.
    assert _skew(star(ring=1.5), 4.0, 1e-4, 16) == (0.0, 0.0, 1.0)
    skew, _, error = _skew(star(), 4.0, 1e-4, 16)
    assert skew == pytest.approx(0.0, abs=1e-3) and 0 < error < 1


@pytest.mark.parametrize("fwhm_px", [0.5, 0.8, 1.2])
def test_stars_as_sharp_as_the_pixels_are_not_lopsided(fwhm_px):
    """Gaussians over pixels by galsim; moved by parts of a pixel their mean is lopsided."""
    galsim = pytest.importorskip("galsim")
    star, rng = galsim.Gaussian(fwhm=fwhm_px), np.random.default_rng(2)
    places = rng.uniform(-0.5, 0.5, (120, 2))
    stamps = np.stack(
        [star.drawImage(nx=25, ny=25, scale=1.0, offset=tuple(place)).array for place in places]
    )
    stamps += rng.normal(0, 1e-3, stamps.shape)
    told = miscollimation(mean_star(stamps.astype(np.float32), places + 12.0), 0.0)
    assert told.state != "yes"
