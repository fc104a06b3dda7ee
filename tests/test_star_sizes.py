"""The sizes from which the generator's labels are made, against closed forms of star profiles.

`half_flux_radius_px` is the radius of the circle that holds half of the light. The flux-weighted
mean radius that some programs call by the same name is 6.45 % larger on a Gaussian; the tests tell
the two apart.
"""

import galsim
import numpy as np
import pytest
import torch
from bare_star import radius, table, whole_star

from synth.psf import fwhm_px, half_flux_radius_px

OVER = 4
SIZE = 512
PROFILES = table("star_profiles.csv")


def size_of(light: np.ndarray) -> tuple[float, float]:
    """Half-flux radius and full width in px of light on a grid of 1/4 px."""
    picture = torch.tensor(light).float()
    return float(half_flux_radius_px(picture, OVER)), float(fwhm_px(picture, OVER))


def drawn(profile: galsim.GSObject, x_px: float = 0.0, y_px: float = 0.0) -> np.ndarray:
    shifted = profile.shift(x_px + 0.5 / OVER, y_px + 0.5 / OVER)
    return shifted.drawImage(nx=SIZE, ny=SIZE, scale=1 / OVER, method="no_pixel").array


@pytest.mark.parametrize("fwhm", [3.0, 6.0])
@pytest.mark.parametrize("place", [(0.0, 0.0), (0.31, -1.17)])
def test_gaussian(fwhm, place):
    # FWHM = 2.354820 sigma and r50 = 1.177410 sigma: the half-flux diameter is the width. Points
    # of 1/4 px counted in rings of 1/8 px: up to 1/32 px, 2 % of 1.5 px. Area over half of the
    # maximum in steps of 1/16 px2: 1 %.
    half, width = size_of(drawn(galsim.Gaussian(fwhm=fwhm), *place))
    assert half == pytest.approx(fwhm / 2, abs=0.04)
    assert width == pytest.approx(fwhm, rel=0.015)
    # Not the mean radius, 1.25331 sigma = 0.5322 of the width.
    assert half < 0.52 * fwhm


@pytest.mark.parametrize("row", PROFILES, ids=lambda row: f"beta {row['beta']:g}")
def test_moffat(row):
    profile = galsim.Moffat(beta=float(row["beta"]), fwhm=4.0)
    half, width = size_of(drawn(profile))
    # galsim's own half-light radius and the table agree; the frame of 128 px cuts 0.1 to 0.4 % of
    # the light of the slowest profiles off, which takes up to 1 % off the radius at beta 2.5.
    assert 2 * profile.calculateHLR() / 4.0 == pytest.approx(row["hfd_over_fwhm"], rel=1e-3)
    assert half == pytest.approx(row["hfd_over_fwhm"] * 2.0, rel=0.01, abs=0.04)
    assert width == pytest.approx(4.0, rel=0.015)
    picture, away = drawn(profile), radius(SIZE, 1 / OVER)
    mean = (picture * away).sum() / picture.sum()
    if row["beta"] > 3:  # the mean radius of slower profiles hangs on where the frame ends
        assert mean / half == pytest.approx(row["mean_over_half"], rel=0.02)


@pytest.mark.parametrize(
    ("hole", "ratio"),
    [(0.0, 0.70711), (0.25, 0.72887), (0.33, 0.74461), (0.40, 0.76158), (0.5, 0.79057)],
)
def test_disc_and_annulus(hole, ratio):
    # HFD / D = sqrt((1 + h^2) / 2), by area. A disc of 40 px on 1/4 px: 0.5 %.
    away = radius(SIZE, 1 / OVER)
    light = ((away < 20.0) & (away >= 20.0 * hole)).astype(float)
    half, width = size_of(light)
    assert 2 * half / 40.0 == pytest.approx(ratio, rel=0.01)
    assert width == pytest.approx(40.0 * np.sqrt(1 - hole**2), rel=0.01)


@pytest.mark.parametrize(("fwhm", "seen"), [(1.5, 1.647), (2.0, 2.112), (3.0, 3.076), (4.0, 4.057)])
def test_pixel_adds_a_twelfth(fwhm, seen):
    # sigma^2 + 1/12 px^2: the renderer's pixel is the sinc of a unit square. The seeing star's own
    # second moment has no limit, so the pixel's is read off the transfer of two stars: their ratio
    # falls as 1 - 2 pi^2 f^2 / 12 at low frequency.
    assert np.sqrt(fwhm**2 + 8 * np.log(2) / 12) == pytest.approx(seen, abs=1e-3)
    star = whole_star(0.02, fwhm)
    spectrum = np.abs(np.fft.fft2(star))[0, 1] / star.sum()
    frequency = 1 / 64
    bare = np.exp(-3.44195 * (frequency * fwhm / 0.975865) ** (5 / 3))
    added = (1 - spectrum / bare) / (2 * np.pi**2 * frequency**2)
    # On a grid of 12 lambda / D per point diffraction is a single point and adds nothing; the
    # next term of the sinc, (pi f)^4 / 120, is nothing at 1/64.
    assert added == pytest.approx(1 / 12, rel=0.02)
