"""A frame's mean star against galsim's, and the S/N of spikes against closed forms."""

import galsim
import numpy as np
import pytest
from graft_source import READ_E, as_source, noisy

from classifier.vocabulary import INDEX
from synth.graft import graft
from synth.grafted_spikes import spike_snr
from synth.own_star import OwnStar, own_star
from synth.spike_strength import INNER_FWHM


def drawn(profile: galsim.GSObject, side: int) -> np.ndarray:
    return profile.drawImage(nx=side, ny=side, scale=1.0).array.astype(float)


def field(profile: galsim.GSObject, count: int = 20) -> np.ndarray:
    """Noisy electrons of stars of 2e5 to 2e6 e on a sky of 200, in the middles of pixels."""
    rng = np.random.default_rng(5)
    light = np.full((360, 480), 200.0)
    stamp = drawn(profile, 101)
    for _ in range(count):
        y, x = rng.integers(52, 308), rng.integers(52, 428)
        light[y - 50 : y + 51, x - 50 : x + 51] += 2e5 * 10 ** rng.uniform(0, 1) * stamp
    return noisy(light)


@pytest.mark.parametrize("halo", [0.0, 0.15])
def test_a_star_put_in_looks_like_those_of_the_frame(halo):
    """Moffat of exponent 2.5 and a halo of Gaussian light: what lies within every radius."""
    profile = galsim.Moffat(beta=2.5, fwhm=3.0) * (1 - halo)
    if halo:
        profile = profile + galsim.Gaussian(fwhm=14.0) * halo
    source = as_source(field(profile), saturation_adu=None)
    star = own_star(source, source.electrons()).light((201, 201), 100, 100)
    wanted = drawn(profile, 201)
    y, x = np.indices(star.shape) - 100
    for radius in (2, 4, 8, 16, 32):
        inside = np.hypot(x, y) <= radius
        # Neighbours and the sky's own cells of 32 px take or give a few percent of the wings.
        assert star[inside].sum() == pytest.approx(wanted[inside].sum(), abs=0.035), radius
    # Moffat 3 of the same width, which was put in before, has a tenth of this halo out there.
    ring = np.hypot(x, y)
    ring = (ring > 8) & (ring < 16)
    assert star[ring].sum() == pytest.approx(wanted[ring].sum(), rel=0.25)


def test_a_frame_of_hardly_a_star_gives_a_star_of_its_width():
    source = as_source(noisy(np.full((200, 200), 200.0)))
    star = own_star(source, source.electrons()).light((101, 101), 50, 50)
    # FWHM 3 px: half of the middle at 1.5 px, the pixel's width aside.
    assert np.interp(1.5, np.arange(4), star[50, 50:54]) / star[50, 50] == pytest.approx(
        0.5, abs=0.06
    )
    assert star.sum() == pytest.approx(1.0, abs=0.05)


def test_stars_that_all_lie_at_one_edge_give_a_star_of_the_frame_s_width():
    """Their far side is seen in none of them: no number comes of it, and none may be put in."""
    light = np.full((240, 240), 200.0)
    stamp = drawn(galsim.Moffat(beta=3, fwhm=3.0), 61)
    for y in (40, 110, 190):
        light[y - 30 : y + 31, :36] += 3e5 * stamp[:, 25:]
    source = as_source(noisy(light))
    star = own_star(source, source.electrons()).light((101, 101), 50, 50)
    assert np.isfinite(star).all()
    assert star.sum() == pytest.approx(1.0, abs=0.05)


def test_the_mean_of_faint_stars_is_not_rough():
    """Made as bright as a star that casts a reflection, rough pixels would stand round its core."""
    profile, rng = galsim.Moffat(beta=2.5, fwhm=3.0), np.random.default_rng(5)
    light, stamp = np.full((256, 256), 4000.0), drawn(profile, 41)
    for _ in range(20):
        y, x = rng.integers(22, 234, 2)
        light[y - 20 : y + 21, x - 20 : x + 21] += 1e4 * stamp
    source = as_source(noisy(light), saturation_adu=None)
    star = own_star(source, source.electrons()).light((41, 41), 20, 20)
    y, x = np.indices(star.shape) - 20
    away = np.hypot(x, y)
    # 20 stars of 1e4 e: a pixel's noise is 64 e x 1.25 / sqrt(20) = 18 e, the light 4 px away
    # 15 e a pixel by the profile: single pixels there say nothing.
    rim = star[(away > 3.5) & (away < 5.5)]
    assert rim.min() > 0
    assert rim.max() / rim.min() < 8, "r^-5 from 3.5 to 5.5 px, and no more"


def point(rim: float = 0.0) -> OwnStar:
    stamp = np.zeros((97, 97))
    stamp[48, 48] = 1.0
    return OwnStar(stamp, rim)


def test_far_wings_fall_as_those_of_seeing():
    """By the power -11/3 beyond the stamp: 12.7 times less at twice the distance."""
    light = point(1e-4).light((21, 401), 0, 10)
    assert light[10, 48] == pytest.approx(1e-4)
    assert light[10, 100] / light[10, 200] == pytest.approx(2 ** (11 / 3))
    assert light[10, 0] == 1.0


def streak(share: float, half_px: int = 100) -> np.ndarray:
    """A kernel that throws a share of a star's light evenly along x."""
    kernel = np.zeros((2 * half_px + 1, 2 * half_px + 1))
    kernel[half_px] = share / (2 * half_px + 1)
    kernel[half_px, half_px] += 1 - share
    return kernel


def test_the_sn_of_a_spike_is_its_light_over_the_noise_under_it():
    flux, noise, fwhm = 1e6, 12.0, 2.0
    a_pixel = flux * 0.01 / 201
    got = spike_snr(point(), streak(0.01), flux, (500, 500), (1000, 1000), [0.0], noise, fwhm)
    # Rows within 0.75 FWHM: three of them; beyond 12 px at best 79 columns (to 91 of 100).
    columns, rows = 79, 3
    wanted = columns * a_pixel / np.sqrt(columns * (rows * noise**2 + a_pixel))
    assert got == pytest.approx(wanted, rel=0.02)
    # A spike the other way is none, and one that leaves the frame soon is weaker.
    assert spike_snr(
        point(), streak(0.01), flux, (500, 500), (1000, 1000), [90.0], noise, fwhm
    ) == pytest.approx(0.0, abs=1e-6)
    edge = spike_snr(point(), streak(0.01), flux, (20, 500), (1000, 40), [0.0], noise, fwhm)
    assert 0 < edge < 0.5 * got
    # The wings of the star are noise too.
    veiled = spike_snr(
        point(1e-3), streak(0.01), flux, (500, 500), (1000, 1000), [0.0], noise, fwhm
    )
    assert veiled < 0.8 * got


def test_spikes_that_cannot_be_seen_are_not_scored():
    source = as_source(field(galsim.Moffat(beta=2.5, fwhm=3.0)), saturation_adu=None)
    column = INDEX["diffraction_spikes"]
    told = [
        float(graft(source, "diffraction_spikes", 4.0, np.random.default_rng(k)).strength[column])
        for k in range(12)
    ]
    assert all(np.isnan(value) or 3.0 <= value < 5.0 for value in told)
    assert sum(not np.isnan(value) for value in told) >= 3
    assert INNER_FWHM == 6.0
    assert source.read_e == READ_E
