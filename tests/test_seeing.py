"""Seeing and whole stars against Fried's law, quoted constants and galsim's stars.

Constants of the Kolmogorov star: Fried 1966, JOSA 56, 1372; Racine 1996, PASP 108, 699, as quoted
in galsim's kolmogorov.py.
"""

import galsim
import numpy as np
import pytest
import torch
from bare_star import radius, whole_star
from scipy.integrate import quad
from scipy.optimize import brentq
from scipy.special import j0, j1

from synth.atmosphere import (
    FWHM_IN_LAMBDA_OVER_R0,
    airmass_factor,
    halo_otf,
    kolmogorov_otf,
    outer_scale_factor,
)
from synth.psf import fwhm_px, half_flux_radius_px, phase_stamps

OVER = 4


def transfer(frequency: float, fwhm: float) -> float:
    pair = (torch.tensor([v], dtype=torch.float64) for v in (frequency, fwhm))
    return float(kolmogorov_otf(*pair)[0])


def test_transfer_is_half_the_structure_function():
    # exp(-D/2), D = 6.8839 (lambda f / r0)^(5/3): 0.0320 at lambda f = r0. In units of lambda / r0
    # the width is 0.975865.
    for frequency in (0.2, 1.0, 1.7):
        expected = np.exp(-6.8839 / 2 * frequency ** (5 / 3))
        assert transfer(frequency, 0.975865) == pytest.approx(expected, rel=1e-4)
    assert transfer(1.0, 0.975865) == pytest.approx(0.0320, abs=5e-5)


def test_width_and_half_light_follow_from_the_transfer():
    # Hankel transforms by scipy: I(t) = 2 pi int otf(f) J0(2 pi f t) f df, and the light within t
    # by 2 pi t int otf J1 df. 0.975865 (width), 0.554811 (half), 0.9240 (80 %) lambda / r0: digits.
    def light(t: float) -> float:
        return quad(lambda f: transfer(f, 0.975865) * j0(2 * np.pi * f * t) * f, 0, 5, limit=200)[0]

    def inside(t: float) -> float:
        ring = quad(lambda f: transfer(f, 0.975865) * j1(2 * np.pi * f * t), 0, 5, limit=200)[0]
        return 2 * np.pi * t * ring

    peak = light(0.0)
    width = 2 * brentq(lambda t: light(t) - 0.5 * peak, 0.4, 0.6, xtol=1e-6)
    assert width == pytest.approx(0.975865, abs=2e-5)
    half = brentq(lambda t: inside(t) - 0.5, 0.4, 0.7, xtol=1e-6)
    assert half == pytest.approx(0.554811, abs=2e-5)
    assert 2 * half / width == pytest.approx(1.1371, abs=1e-4)
    assert brentq(lambda t: inside(t) - 0.8, 0.7, 1.2, xtol=1e-6) == pytest.approx(0.9240, abs=1e-4)


@pytest.mark.parametrize(("r0_m", "arcsec"), [(0.10, 1.0064), (0.05, 2.013), (0.15, 0.671)])
def test_width_of_seeing_by_coherence_length(r0_m, arcsec):
    # 500 nm; the printed digits.
    got = FWHM_IN_LAMBDA_OVER_R0 * np.rad2deg(500e-9 / r0_m) * 3600
    assert got == pytest.approx(arcsec, rel=1e-3)


@pytest.mark.parametrize(
    ("airmass", "factor"), [(1.0, 1.0), (1.2, 1.1156), (1.5, 1.2754), (2.0, 1.5157), (3.0, 1.933)]
)
def test_seeing_by_airmass(airmass, factor):
    # X^0.6, as r0 goes with X^(-3/5) (Fried; Roddier 1981; from memory).
    assert airmass_factor(airmass) == pytest.approx(factor, abs=5e-4)


@pytest.mark.parametrize(
    ("r0_m", "outer_m", "factor"), [(0.10, 20.0, 0.818), (0.15, 22.0, 0.794), (0.10, 10.0, 0.759)]
)
def test_outer_scale_narrows(r0_m, outer_m, factor):
    # Tokovinin 2002, PASP 114, 1156, from memory: a fit, good to 1 %. galsim's von Karman star is
    # the exact integral.
    assert outer_scale_factor(r0_m, outer_m) == pytest.approx(factor, rel=1e-3)
    exact = galsim.VonKarman(lam=500, r0=r0_m, L0=outer_m).calculateFWHM()
    without = galsim.Kolmogorov(lam=500, r0=r0_m).fwhm
    assert outer_scale_factor(r0_m, outer_m) == pytest.approx(exact / without, rel=0.012)


def library_star(profile: galsim.GSObject, size: int = 256) -> np.ndarray:
    """Light per px^2 on the fine grid with the pixel in it, its origin at size // 2."""
    seen = galsim.Convolve(profile, galsim.Pixel(1.0)).shift(0.5 / OVER, 0.5 / OVER)
    picture = seen.drawImage(nx=size, ny=size, scale=1 / OVER, method="no_pixel")
    return picture.array.astype(float) * OVER**2


def assert_same_star(mine: np.ndarray, theirs: np.ndarray, share_of_peak: float) -> None:
    assert np.abs(mine - theirs).max() < share_of_peak * theirs.max()


@pytest.mark.parametrize("seeing_px", [1.0, 1.5, 3.0, 6.0])
def test_seeing_star_pixel_by_pixel(seeing_px):
    # The periodic grid folds the wings beyond 32 px back in, 1e-4 of the peak at 6 px; under
    # 1.5 px the fine grid of 1/4 px cuts frequencies off.
    mine = whole_star(0.05, seeing_px)
    assert_same_star(mine, library_star(galsim.Kolmogorov(fwhm=seeing_px)), 0.004)


@pytest.mark.parametrize(
    ("lambda_over_d_px", "seeing_px", "hole"), [(1.5, 2.5, 0.33), (0.5, 4.0, 0.3), (2.0, 1.0, 0.0)]
)
def test_star_of_aperture_and_air_pixel_by_pixel(lambda_over_d_px, seeing_px, hole):
    air = galsim.Kolmogorov(fwhm=seeing_px)
    optics = galsim.Airy(lam_over_diam=lambda_over_d_px, obscuration=hole)
    mine = whole_star(lambda_over_d_px, seeing_px, hole)
    # Ours holds all light within the stamp, the library's loses 1 % and more of faint rings over
    # its edge: compared at equal sums. What is left are pupil edges and folded wings, 0.3 %.
    theirs = library_star(galsim.Convolve(optics, air))
    assert_same_star(mine, theirs * mine.sum() / theirs.sum(), 0.005)


@pytest.mark.parametrize(("width_px", "share"), [(5.0, 0.3), (2.0, 0.1)])
def test_halo_is_an_exponential_disc(width_px, share):
    # galsim's Exponential of scale radius w, whose transform is (1 + (2 pi f w)^2)^(-3/2).
    point = galsim.Gaussian(sigma=1e-3) * (1 - share)
    veil = galsim.Exponential(scale_radius=width_px) * share
    profile = galsim.Convolve(galsim.Kolmogorov(fwhm=3.0), point + veil)
    mine = whole_star(0.05, 3.0, halo=(width_px, share))
    assert_same_star(mine, library_star(profile), 0.003)
    # A ring where the halo rules and little has come back over the stamp's edge: 1.5 %.
    away = radius(256, 1 / OVER)
    far = (away > 8) & (away < 18)
    theirs = library_star(profile)
    assert mine[far].sum() == pytest.approx(theirs[far].sum(), rel=0.015)
    at = torch.tensor([0.1], dtype=torch.float64)
    expected = (
        1 - share + share * galsim.Exponential(scale_radius=width_px).kValue(2 * np.pi * 0.1, 0)
    )
    got = halo_otf(at, torch.tensor([width_px]), torch.tensor([share], dtype=torch.float64))
    assert float(got) == pytest.approx(expected.real, abs=1e-6)


@pytest.mark.parametrize("angle_deg", [0.0, 30.0, 90.0])
def test_steady_drift_is_a_box_pixel_by_pixel(angle_deg):
    # A uniform line of 6 px; 128 steps of 0.05 px are as good as a line.
    line = galsim.Box(6.0, 1e-3).rotate(angle_deg * galsim.degrees)
    theirs = library_star(galsim.Convolve(galsim.Kolmogorov(fwhm=3.0), line))
    time = (np.arange(128) + 0.5) / 128 - 0.5
    turn = np.deg2rad(angle_deg)
    path = 6.0 * time[:, None] * np.array([[np.cos(turn), np.sin(turn)]])
    assert_same_star(whole_star(0.05, 3.0, path=path), theirs, 0.003)


def test_sizes_of_a_seeing_star():
    # Half-flux diameter over width 1.1371 (see above); a Moffat star of beta 4.765 stands in for
    # it at 1.1362 (Trujillo et al. 2001, MNRAS 328, 977, from memory; galsim's own Moffat).
    assert 2 * galsim.Moffat(beta=4.765, fwhm=1.0).calculateHLR() == pytest.approx(1.1362, abs=2e-4)
    light = torch.tensor(whole_star(0.05, 6.0)).float()
    # The pixel widens 6 px by (8 ln 2 / 12) / (2 x 36) = 0.6 %, the half-light radius by half of
    # that; the wings beyond 32 px, 0.9 % of the light, fold back in over the stamp: 1.5 %.
    assert float(fwhm_px(light, OVER)) == pytest.approx(6.0 * 1.006, rel=0.01)
    assert 2 * float(half_flux_radius_px(light, OVER)) == pytest.approx(1.1371 * 6.0, rel=0.015)


@pytest.mark.parametrize("phase", [(0, 0), (1, 0), (3, 0), (0, 2), (2, 3)])
def test_every_phase_of_a_stamp_with_galsim(phase):
    # A star a quarter px right or below of a pixel centre, pixel by pixel; a fine grid of 1/4 px
    # holds it exactly. The stamp's rim fades, so the inner half is compared.
    right, below = phase
    light = torch.tensor(whole_star(0.05, 2.5)).float()[None, None]
    stamp = phase_stamps(light, OVER)[0, 0, right + OVER * below].double().numpy()
    star = galsim.Convolve(galsim.Kolmogorov(fwhm=2.5), galsim.Pixel(1.0))
    star = star.shift(0.5 + right / OVER, 0.5 + below / OVER)
    theirs = star.drawImage(nx=64, ny=64, scale=1.0, method="no_pixel").array
    inner = radius(64) < 20
    assert np.abs(stamp - theirs)[inner].max() < 0.002 * theirs.max()
    assert stamp.sum() == pytest.approx(1.0, abs=0.01)
