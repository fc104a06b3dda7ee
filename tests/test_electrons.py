"""From magnitudes to electrons in a rendered frame, against photometry worked out elsewhere.

One small telescope throughout, that of `frame_of_one_rig`.
"""

from dataclasses import replace

import galsim
import numpy as np
import pytest
from astropy import constants
from astropy import units as u
from bare_star import table
from frame_of_one_rig import SIDE, camera, expected, rig, scene

from synth import field
from synth.scene import Scene, dark_factor
from synth.starlight import R0_OVER_OUTER

COUNTS = table("star_counts.csv")


def without_rays(*frames: Scene) -> np.ndarray:
    """Frames as the median of each pixel's row neighbours would see them: no cosmic rays."""
    return np.median(expected(*frames), axis=(1, 2))


def test_photons_of_a_star_of_magnitude_nothing():
    # 3.63e-9 erg/s/cm2/A at 5450 A (Bessell, Castelli & Plez 1998, A&A 333, 231, from memory): 996.
    # Vega in V lies 0.02 mag, 2 %, from AB; the quoted digits are good to 1 %.
    energy = (constants.h * constants.c / (5450 * u.AA)).to(u.erg)
    photons = 3.63e-9 * u.erg / energy
    mine = rig(wavelength_nm=545.0)
    # A collector of 1 cm2 that loses nothing, per angstrom.
    perfect = mine.zero_point_e_s / (np.pi / 4 * 10**2 * 0.5 * 1000)
    assert perfect == pytest.approx(float(photons), rel=0.03)


def test_rates_of_the_small_telescope():
    # Worked out apart from this program: V 15 gives 39.1 e/s; skies of 21 and 20 mag/arcsec2 give
    # 0.3335 and 0.838 e/s and pixel at 1.4633 arcsec/px. Three and four digits: 0.5 %.
    mine = rig()
    assert mine.scale_arcsec == pytest.approx(1.4633, abs=5e-5)
    assert mine.zero_point_e_s * 10 ** (-0.4 * 15) == pytest.approx(39.1, rel=5e-3)
    assert mine.sky_e_s(21.0) == pytest.approx(0.3335, rel=5e-3)
    assert mine.sky_e_s(20.0) == pytest.approx(0.838, rel=5e-3)


@pytest.mark.parametrize(
    ("name", "wavelength_nm", "photons"), [("OIII", 500.0, 1096.0), ("Ha", 656.3, 835.0)]
)
@pytest.mark.parametrize("width_nm", [3.0, 12.0])
def test_narrow_filters_count_their_own_photons(name, wavelength_nm, photons, width_nm):
    # Photons of AB magnitude 0 per s, cm2 and A at 5000 and 6563 A (Oke & Gunn 1983, worked to four
    # digits), times 78.54 cm2, 0.5 of efficiency, 0.9 of the filter and its width.
    mine = rig(filter=name, wavelength_nm=wavelength_nm, band_nm=width_nm, transmission=0.9)
    expected_e_s = photons * 78.54 * 0.5 * 0.9 * 10 * width_nm
    assert mine.zero_point_e_s == pytest.approx(expected_e_s, rel=1e-3)
    # The survey's rule: sky = rate of a star of 20 mag x 10^(-0.4 (mu - 20)) x scale^2.
    wanted = expected_e_s * 10 ** (-0.4 * 21.5) * 1.4633**2
    assert mine.sky_e_s(21.5) == pytest.approx(wanted, rel=2e-3)
    # In the frame: 600 s of it.
    level = without_rays(scene(rig=mine, sky_mag=21.5, exposure_s=600.0))
    assert level[0] == pytest.approx(600 * wanted, rel=3e-3)


def test_sky_of_a_rendered_frame():
    # 0.3335 e/s for 60 s; every magnitude is a factor of 2.512; binning by two has four times the
    # area. The median over pixels: no star is there, and cosmic rays hit few pixels.
    bright, dark = scene(sky_mag=20.0), scene()
    coarse = scene(rig=rig(camera=camera(binning=2)))
    levels = without_rays(bright, dark, coarse)
    assert levels[1] == pytest.approx(20.01, rel=5e-3)
    assert levels[0] / levels[1] == pytest.approx(2.5119, rel=1e-4)
    assert levels[2] / levels[1] == pytest.approx(4.0, rel=1e-4)


@pytest.mark.parametrize("place", [(96.0, 96.0), (60.25, 120.5), (100.1, 80.7)])
@pytest.mark.parametrize("mag", [8.0, 15.0])
def test_light_of_a_star_in_a_rendered_frame(place, mag):
    # 39.1 e/s at V 15 for 60 s, all of it within 25 px but the wings: a Kolmogorov star of 2.1 px
    # keeps 0.4 % beyond, the stamp's faded rim takes as much again. 1.5 %.
    light = expected(scene([(*place, mag)]), scene())
    star = light[0] - light[1]
    total = 60 * 39.1 * 10 ** (0.4 * (15 - mag))
    assert star.sum() == pytest.approx(total, rel=0.015)
    y, x = np.mgrid[:SIDE, :SIDE]
    # Faint stars are laid down to 1/4 px, bright ones to 1/2 px.
    slack = 0.28 if mag < 10 else 0.15
    assert (star * x).sum() / star.sum() == pytest.approx(place[0], abs=slack)
    assert (star * y).sum() / star.sum() == pytest.approx(place[1], abs=slack)


def test_five_magnitudes_are_a_hundred():
    frames = expected(scene([(96, 96, 15.0)]), scene([(96, 96, 10.0)]), scene())
    faint, bright = ((frames[i] - frames[2]).sum() for i in (0, 1))
    assert bright / faint == pytest.approx(100.0, rel=0.01)


def test_extinction_dims_stars_and_not_the_sky():
    # k 0.2 and one more airmass: 0.2 mag, 0.8318 of the light; airglow and town light are within
    # the air.
    frames = expected(scene([(96, 96, 12.0)]), scene([(96, 96, 12.0)], extinction_mag=0.2), scene())
    clear, dimmed = ((frames[i] - frames[2]).sum() for i in (0, 1))
    assert dimmed / clear == pytest.approx(0.8318, rel=1e-3)
    assert np.median(frames[1]) == pytest.approx(np.median(frames[2]), rel=1e-3)


def test_obstruction_and_aperture():
    # A third of the diameter hides a ninth of the light; twice the diameter gathers four times.
    mine = rig()
    hidden = replace(mine, telescope=replace(mine.telescope, obstruction=1 / 3))
    large = replace(mine, telescope=replace(mine.telescope, aperture_mm=200.0))
    assert hidden.zero_point_e_s / mine.zero_point_e_s == pytest.approx(8 / 9, rel=1e-9)
    assert large.zero_point_e_s / mine.zero_point_e_s == pytest.approx(4.0, rel=1e-9)


@pytest.mark.parametrize(
    ("warmer_c", "factor"), [(6.0, 2.0), (12.0, 4.0), (3.0, 1.4142), (-6.0, 0.5)]
)
def test_dark_current_doubles_in_six_degrees(warmer_c, factor):
    # Common practice: dark current doubles every 6 K or so. In the frame: dark and sky add.
    warm = rig(camera=camera(dark_e_s=0.5))
    base, other = (scene(rig=warm, temperature_c=t) for t in (-10.0, -10.0 + warmer_c))
    assert dark_factor(-10.0 + warmer_c) == pytest.approx(factor, rel=1e-4)
    levels = without_rays(base, other, scene())
    assert levels[0] - levels[2] == pytest.approx(30.0, rel=1e-4)
    assert (levels[1] - levels[2]) / 30.0 == pytest.approx(factor, rel=1e-3)


def test_stars_of_a_wide_field_follow_the_counts():
    # 16 fields of 4 deg2 at density 1: N(< m) = table x 64; Poisson, four sigma; slopes over a
    # magnitude from some 10^4 stars are known to 0.01.
    rng = np.random.default_rng(8)
    mags = []
    for _ in range(16):
        x, y, mag, _ = field.draw_stars(rng, 1800, 1800, 4.0, 15.0, 1.0, 100_000)
        inside = (np.abs(x - 899.5) < 900) & (np.abs(y - 899.5) < 900)
        mags.append(mag[inside])
    mag = np.concatenate(mags)
    number = {int(row["mag"]): int((mag < row["mag"]).sum()) for row in COUNTS if row["mag"] <= 15}
    for row in COUNTS[:-1]:
        wanted = row["per_deg2"] * 64
        assert number[int(row["mag"])] == pytest.approx(wanted, abs=4 * np.sqrt(wanted))
    for row in COUNTS[3:-1]:
        upper = int(row["mag"])
        slope = np.log10(number[upper] / number[upper - 1])
        assert slope == pytest.approx(row["slope"], abs=0.03)


@pytest.mark.parametrize(("loss_mag", "left"), [(1.0, 0.437), (0.3, 0.78)])
def test_stars_lost_to_cloud(loss_mag, left):
    # 10^(-s A) with s = 0.36 near 15 mag: what an even cloud leaves above a limit. Checked on drawn
    # stars at 15.5 mag, 16 deg2: 1 % by Poisson, the slope's own scatter of 0.03 over it: 10 %.
    rng = np.random.default_rng(4)
    mag = np.concatenate(
        [field.draw_stars(rng, 1800, 1800, 4.0, 15.5, 1.0, 100_000)[2] for _ in range(4)]
    )
    assert (mag + loss_mag < 15.5).sum() / (mag < 15.5).sum() == pytest.approx(left, rel=0.1)


@pytest.mark.parametrize("halo_share", [0.0, 0.04])
def test_growth_curve_does_not_change_with_brightness(halo_share):
    # Bright, middling and faint stars are laid down by three roads; light is linear, so the share
    # of it within 2.5, 5 and 10 px must be one. The brightest are drawn in a band of wavelengths
    # and with twice the pupil's samples: 0.5 %.
    shares = []
    for mag in (8.0, 13.0, 15.0, 17.0, 19.0):
        one = scene([(96, 96, mag)], halo_share=halo_share, halo_px=20.0)
        frames = expected(one, scene())
        star = (frames[0] - frames[1]) / (60 * rig().zero_point_e_s * 10 ** (-0.4 * mag))
        y, x = np.mgrid[:SIDE, :SIDE] - 96
        shares.append([star[np.hypot(x, y) < r].sum() for r in (2.5, 5, 10)])
    assert np.ptp(shares, axis=0) == pytest.approx(np.zeros(3), abs=0.005)
    # And the growth is that of galsim's star: seeing and tracking of 3.08 arcsec, an outer scale,
    # 100 mm at 550 nm, pixel and halo; the stamp brings some 0.5 % of far light back within.
    scale = rig().scale_arcsec
    air = galsim.VonKarman(lam=500, r0=0.04, L0=0.04 / R0_OVER_OUTER)
    air = air.dilate(np.hypot(3.0, 2.355 * 0.3) / scale / air.calculateFWHM())
    glass = galsim.Airy(lam_over_diam=np.rad2deg(550e-9 / 0.1) * 3600 / scale)
    halo = galsim.Gaussian(sigma=1e-3) * (1 - halo_share)
    halo = halo + galsim.Exponential(scale_radius=20.0) * halo_share
    profile = galsim.Convolve(air, glass, halo, galsim.Pixel(1.0))
    theirs = profile.drawImage(nx=SIDE + 1, ny=SIDE + 1, scale=1.0, method="no_pixel").array
    y, x = np.mgrid[: SIDE + 1, : SIDE + 1] - 96
    wanted = [theirs[np.hypot(x, y) < r].sum() for r in (2.5, 5, 10)]
    assert shares[2] == pytest.approx(wanted, abs=0.008)
