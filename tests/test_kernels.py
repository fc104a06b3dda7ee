"""Kernels of faults against closed forms and galsim's stars, pixel by pixel."""

from dataclasses import replace

import galsim
import numpy as np
import pytest
from graft_source import as_source, noisy, scene_of, star_field

from synth import tracking
from synth.kernels import optics_kernel, path_kernel, soft_kernel, spike_kernel
from synth.optics import defocus_waves
from synth.renoise import smear
from synth.scene import Bar
from synth.stand_in import Source


@pytest.fixture(scope="module")
def source() -> Source:
    return as_source(noisy(star_field()))


def second_moments(picture: np.ndarray) -> tuple[float, float, float]:
    y, x = np.indices(picture.shape)
    total = picture.sum()
    x, y = x - (x * picture).sum() / total, y - (y * picture).sum() / total
    return tuple(float((m * picture).sum() / total) for m in (x * x, y * y, x * y))


def gaussian(fwhm_px: float, side: int = 81) -> np.ndarray:
    axis = np.arange(side) - side // 2
    sigma2 = (fwhm_px / 2.35482) ** 2
    return np.exp(-(axis[:, None] ** 2 + axis[None] ** 2) / (2 * sigma2)) / (2 * np.pi * sigma2)


def axis_ratio(picture: np.ndarray) -> float:
    xx, yy, xy = second_moments(picture)
    low, high = np.linalg.eigvalsh([[xx, xy], [xy, yy]])
    return float(np.sqrt(high / low))


def noiseless(picture: np.ndarray, kernel: np.ndarray) -> np.ndarray:
    """Smeared with so much light (1e12 e) that its noise, a millionth, does not matter."""
    return smear(picture * 1e12, kernel, 0.0, np.random.default_rng(1)) / 1e12


@pytest.mark.parametrize(
    ("fwhm", "length", "ratio"), [(3.0, 3.0, 1.209), (3.0, 6.0, 1.688), (2.5, 1.25, 1.056)]
)
@pytest.mark.parametrize("angle", [0.0, 0.6, 1.9])
def test_drift_adds_a_twelfth_of_its_length_squared(fwhm, length, ratio, angle):
    """A uniform line adds L^2 / 12 along itself: axis ratios worked from that separately."""
    along = np.linspace(-0.5, 0.5, 128) * length
    kernel = path_kernel(np.stack((along * np.cos(angle), along * np.sin(angle)), 1))
    xx, yy, _ = second_moments(kernel)
    # 128 points with ends at +-L/2 have 127/129 less... (K + 1) / (K - 1) = 1.6 % more variance.
    assert xx + yy == pytest.approx(length**2 / 12, rel=0.02)
    assert axis_ratio(noiseless(gaussian(fwhm), kernel)) == pytest.approx(ratio, rel=0.02)


def test_a_jump_and_a_swing_add_their_closed_forms():
    """f (1 - f) d^2 and A^2 / 2. FWHM 3: d 4, f 0.5 gives 1.861; A 2 gives 1.494."""
    jump = path_kernel(np.repeat([[0.0, 0.0], [4.0, 0.0]], 64, 0))
    assert axis_ratio(noiseless(gaussian(3.0), jump)) == pytest.approx(1.861, rel=0.02)
    phase = np.linspace(0, 2 * np.pi, 128, endpoint=False)
    swing = path_kernel(np.stack((0 * phase, 2 * np.sin(phase)), 1))
    assert axis_ratio(noiseless(gaussian(3.0), swing)) == pytest.approx(1.494, rel=0.02)


@pytest.mark.parametrize("key", ["drift", "vibration", "guiding_loss"])
def test_kernels_of_recipes_keep_all_light_and_its_centre(key):
    rng = np.random.default_rng(6)
    for _ in range(5):
        path = getattr(tracking, key)(rng, 12.0, rng.uniform(0, 3))
        kernel = path_kernel(path)
        assert kernel.sum() == pytest.approx(1, abs=1e-9)
        y, x = np.indices(kernel.shape) - kernel.shape[0] // 2
        assert (x * kernel).sum() == pytest.approx(0, abs=1e-3)
        assert (y * kernel).sum() == pytest.approx(0, abs=1e-3)
    star = np.pad(gaussian(3.0), 20)
    assert noiseless(star, kernel).sum() == pytest.approx(1, abs=1e-5)


@pytest.mark.parametrize("obstruction", [0.0, 0.35])
def test_defocus_has_the_diameter_of_focus_shift_over_focal_ratio(source, obstruction):
    """dz / N: 0.6 mm at f/6 is 100 um; half of an annulus' light is within D/2 sqrt((1+e^2)/2)."""
    scene = scene_of(source, obstruction)
    camera, telescope = scene.rig.camera, scene.rig.telescope
    assert telescope.focal_ratio == pytest.approx(6.0)
    waves = (defocus_waves(600.0 / 6.0, 6.0, scene.rig.wavelength_nm), *scene.waves[1:])
    kernel = optics_kernel(replace(scene, waves=waves))
    y, x = np.indices(kernel.shape) - kernel.shape[0] // 2
    order = np.argsort((x**2 + y**2).ravel())
    inside = np.cumsum(kernel.ravel()[order])
    half = np.sqrt((x**2 + y**2).ravel()[order][np.searchsorted(inside, 0.5)])
    diameter_px = 100.0 / camera.pixel_um
    expected = diameter_px / 2 * np.sqrt((1 + obstruction**2) / 2)
    # Whole pixels, so half a pixel on 9; diffraction at the edges adds little.
    assert half == pytest.approx(expected, abs=0.5)
    # The shadow of the obstruction is 0.35 of 25 px wide: its inner half is dark but for rings.
    hole = kernel[np.hypot(x, y) < 0.35 * diameter_px / 4].mean() * kernel.size
    disc = kernel[np.hypot(x, y) < diameter_px / 2].mean() * kernel.size
    assert (hole < 0.4 * disc) == (obstruction > 0)


def drawn(profile: galsim.GSObject, side: int = 81) -> np.ndarray:
    return profile.drawImage(nx=side, ny=side, scale=1.0).array.astype(float)


@pytest.mark.parametrize("factor", [1.3, 2.0])
def test_poorer_seeing_turns_one_kolmogorov_star_into_another(source, factor):
    scene = scene_of(source, 0.0)
    width = scene.rig.seeing_arcsec / scene.rig.scale_arcsec
    kernel = soft_kernel(replace(scene, seeing_factor=factor))
    got = noiseless(drawn(galsim.Kolmogorov(fwhm=width)), kernel)
    wanted = drawn(galsim.Kolmogorov(fwhm=width * factor))
    # A narrow kernel sampled at half pixels misses some of its peak: a percent.
    assert got == pytest.approx(wanted, abs=0.015 * wanted.max())


def test_aberrations_turn_good_stars_into_those_of_galsim(source):
    """galsim's own pupil: Noll defocus and coma, obstruction, under Kolmogorov seeing."""
    scene = scene_of(source, 0.3)
    telescope = scene.rig.telescope
    # lambda / D in px at 550 nm; three wavelengths as the kernel takes them.
    ratio = 550e-6 / telescope.aperture_mm * 206265 / scene.rig.scale_arcsec
    air = galsim.Kolmogorov(fwhm=2.6)

    def star(**aberrations):
        # galsim takes aberrations in waves at the wavelength given.
        parts = [
            galsim.OpticalPSF(
                lam_over_diam=ratio * c,
                obscuration=0.3,
                **{name: value / c for name, value in aberrations.items()},
            )
            for c in (0.92, 1.0, 1.08)
        ]
        return drawn(galsim.Convolve(galsim.Sum(parts) / 3, air), 101)

    for aberrations, waves in (
        ({"defocus": 0.8}, (0.8, 0, 0, 0, 0, 0, 0, 0)),
        # The image of a pupil may be read upside down: galsim's coma has the other sign.
        ({"coma1": 0.4}, (0, 0, 0, -0.4, 0, 0, 0, 0)),
        ({"coma2": 0.4}, (0, 0, 0, 0, -0.4, 0, 0, 0)),
    ):
        got = noiseless(star(), optics_kernel(replace(scene, waves=waves)))
        wanted = star(**aberrations)
        # Two pupils sampled differently, and a kernel that gives up under 3 % transfer: a percent.
        assert got == pytest.approx(wanted, abs=0.015 * wanted.max()), aberrations


def test_spikes_take_the_bars_share_of_the_light(source):
    """Babinet: a whole bar of width w apertures over a clear pupil covers 4 w / pi of it."""
    scene = replace(scene_of(source, 0.0), bars=(Bar(0.0, 0.04, 0.0, False),))
    kernel = spike_kernel(scene)
    assert kernel.sum() == pytest.approx(1)
    middle = kernel.shape[0] // 2
    # A bar along x throws light along y; 12 % at 128 pupil samples a bar 5 samples wide.
    spike = kernel[:, middle - 6 : middle + 7].sum() - kernel[middle - 6 : middle + 7].sum()
    assert kernel[:, middle].sum() > 3 * kernel[middle].sum() - 2 * kernel[middle, middle]
    assert spike > 0
    outside = kernel.sum() - kernel[middle - 1 : middle + 2, middle - 1 : middle + 2].sum()
    assert 0.3 * 4 * 0.04 / np.pi < outside < 4 * 0.04 / np.pi
