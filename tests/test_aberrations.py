"""Aberrated stars of the generator against closed forms, ray tracing, galsim and poppy.

Noll's terms (1976, JOSA 66, 207) are counted in waves rms over the whole disc, as in both
libraries.
"""

import galsim
import numpy as np
import pytest
import torch
from bare_star import axis, diffraction, radius, vanes

from synth.optics import COMA_X, COMA_Y, DEFOCUS, TERMS, defocus_waves, zernike_basis

NOLL = {
    "defocus": 4,
    "astigmatism_45": 5,
    "astigmatism_0": 6,
    "coma_y": 7,
    "coma_x": 8,
    "trefoil_y": 9,
    "trefoil_x": 10,
    "spherical": 11,
}


def only(term: int, waves: float) -> list[float]:
    values = [0.0] * len(TERMS)
    values[term] = waves
    return values


def test_terms_are_orthonormal_on_the_disc():
    basis = zernike_basis(512, "cpu").double().flatten(1)
    inside = torch.as_tensor(np.hypot(*np.meshgrid(*2 * [(np.arange(512) + 0.5) / 256 - 1])) < 1)
    basis = basis[:, inside.flatten()]
    gram = (basis @ basis.T / basis.shape[1]).numpy()
    # Noll's normalisation: rms 1. Staircase of the disc at 512 samples: 0.5 %.
    assert gram == pytest.approx(np.eye(len(TERMS)), abs=0.005)


@pytest.mark.parametrize("term", range(len(TERMS)), ids=TERMS)
@pytest.mark.parametrize(("waves", "strehl"), [(1 / 14, 0.8176), (0.05, 0.906)])
def test_strehl_ratio(term, waves, strehl):
    # exp(-(2 pi w)^2), Marechal (Born & Wolf 9.3, from memory); it and the exact value part by
    # 0.003 at 1/14 wave for defocus (0.8131 by sinc^2) and less for the others: 0.01.
    assert np.exp(-((2 * np.pi * waves) ** 2)) == pytest.approx(strehl, abs=5e-4)
    got = diffraction(0.1, 301, waves=only(term, waves)).max() / diffraction(0.1, 301).max()
    assert got == pytest.approx(strehl, abs=0.01)


@pytest.mark.parametrize("edge_waves", [0.25, 0.5, 0.8])
def test_centre_of_a_defocused_star(edge_waves):
    # sinc^2 of the edge's path difference: 0.8106 for a quarter wave (Born & Wolf 8.8.2, from
    # memory). The two pictures cut off equal tails of light.
    waves = edge_waves / (2 * 3**0.5)
    got = diffraction(0.1, 401, waves=only(DEFOCUS, waves))[200, 200]
    got /= diffraction(0.1, 401)[200, 200]
    assert got == pytest.approx(np.sinc(edge_waves) ** 2, rel=0.01)


@pytest.mark.parametrize(("ratio", "shift_um"), [(4, 17.6), (5, 27.5), (8, 70.4)])
def test_quarter_wave_depth_of_focus(ratio, shift_um):
    # 2 lambda N^2 at 550 nm puts a quarter of a wave on the edge, 1 / (2 sqrt 3) of it rms (Born &
    # Wolf 8.8, from memory). The printed values have three digits.
    waves = defocus_waves(shift_um / ratio, ratio, 550.0)
    assert waves * 2 * 3**0.5 == pytest.approx(0.25, rel=2e-3)


def rays(term_waves: list[float], count: int = 400) -> np.ndarray:
    """(n, 2) places in lambda / D where rays of an open pupil land: twice the slope of the wave.

    Analytic slopes of defocus and coma on the unit disc, by Noll's polynomials.
    """
    line = (np.arange(count) + 0.5) / count * 2 - 1
    x, y = (a[np.hypot(*np.meshgrid(line, line)) < 1] for a in np.meshgrid(line, line))
    defocus, coma_y, coma_x = (term_waves[t] for t in (DEFOCUS, COMA_Y, COMA_X))
    root3, root8 = 3**0.5, 8**0.5
    dx = defocus * root3 * 4 * x + coma_x * root8 * (9 * x**2 + 3 * y**2 - 2)
    dy = defocus * root3 * 4 * y + coma_x * root8 * 6 * x * y
    dx = dx + coma_y * root8 * 6 * x * y
    dy = dy + coma_y * root8 * (9 * y**2 + 3 * x**2 - 2)
    return 2 * np.stack((dx, dy), 1)


def marginal(light: np.ndarray, step: float, across: int, shares: list[float]) -> np.ndarray:
    """Places below which those shares of the light lie, along x (across 0) or y (1)."""
    profile = light.sum(across).cumsum()
    return np.interp(shares, profile / profile[-1], axis(len(light), step) + step / 2)


@pytest.mark.parametrize(("ratio", "arcsec_per_arcmin"), [(4, 0.703), (5, 0.450)])
def test_coma_of_a_paraboloid(ratio, arcsec_per_arcmin):
    # Tangential coma is 3 theta / (16 N^2) long (Schroeder, Astronomical Optics, ch. 5 and 6, from
    # memory), which is six times the coefficient W131 = theta D / (32 N^2) over D. 300 mm, 550 nm,
    # 25 arcmin off axis: many waves, so that rays are right.
    theta = np.deg2rad(25 / 60)
    edge_um = theta * 0.3 / (32 * ratio**2) * 1e6
    wave_um, lambda_over_d = 0.55, np.rad2deg(0.55e-6 / 0.3) * 3600
    waves = only(COMA_X, edge_um / wave_um / (3 * 8**0.5))  # rms of Noll's coma: W131 / (3 sqrt 8)
    lengths = rays(waves)[:, 0]
    # Noll's term holds a tilt, so the vertex is not at 0; the fan from it is 6 W131 / D long.
    length_arcsec = (lengths.max() - lengths.min()) * lambda_over_d
    assert length_arcsec == pytest.approx(25 * arcsec_per_arcmin, rel=0.01)
    step = 0.3
    light = diffraction(step, 601, waves=waves)
    shares = [0.05, 0.25, 0.5, 0.75, 0.95]
    # Diffraction blurs the sharp vertex by about 1 lambda / D of some 50.
    for across in (0, 1):
        expected = np.quantile(rays(waves)[:, across], shares)
        got = marginal(light, step, across, shares)
        assert got == pytest.approx(expected, abs=0.02 * np.ptp(lengths)), across


def library_star(hole: float, waves: list[float], step: float, size: int, **more) -> np.ndarray:
    """galsim's star with the same errors, turned by 180 degrees: its sky is seen from behind."""
    terms = [0.0] * 12
    for name, value in zip(TERMS, waves, strict=True):
        terms[NOLL[name]] = value
    star = galsim.OpticalPSF(
        lam_over_diam=1.0, obscuration=hole, aberrations=terms, oversampling=2, pad_factor=2, **more
    )
    # An even image has its centre between pixels, ours is on the pixel right and above of it.
    picture = star.shift(-step / 2, -step / 2).drawImage(
        nx=size, ny=size, scale=step, method="no_pixel"
    )
    turned = picture.array[::-1, ::-1].astype(float)
    return turned


@pytest.mark.parametrize("term", [*range(len(TERMS)), "all"])
@pytest.mark.parametrize("hole", [0.0, 0.33])
def test_each_error_pixel_by_pixel_with_galsim(term, hole):
    waves = (
        list(np.random.default_rng(3).normal(0, 0.15, len(TERMS)))
        if term == "all"
        else only(term, 0.25)
    )
    theirs = library_star(hole, waves, 0.25, 256)
    mine = diffraction(0.25, 256, hole, waves=waves, samples=128) * theirs.sum()
    # Ours is made of 128 pupil samples with grey edges, theirs of hard ones: 1 % of the peak.
    assert np.abs(mine - theirs).max() < 0.01 * theirs.max()


def test_spider_pixel_by_pixel_with_galsim():
    star = galsim.OpticalPSF(
        lam_over_diam=1.0,
        obscuration=0.33,
        nstruts=4,
        strut_thick=0.03,
        oversampling=3,
        pad_factor=2,
    )
    theirs = star.shift(-0.125, -0.125).drawImage(nx=256, ny=256, scale=0.25, method="no_pixel")
    theirs = theirs.array[::-1, ::-1].astype(float)
    mine = diffraction(0.25, 256, 0.33, vanes(4, 0.03)) * theirs.sum()
    assert np.abs(mine - theirs).max() < 0.01 * theirs.max()
    # The arms from 8 to 25 lambda / D; hard edges of theirs at some 400 samples: 5 %.
    x = np.abs(axis(256, 0.25))
    longer = np.maximum(x[:, None], x)
    arms = (np.minimum(x[:, None], x) < 2) & (longer > 8) & (longer < 25)
    assert mine[arms].sum() == pytest.approx(theirs[arms].sum(), rel=0.05)


@pytest.fixture(scope="module")
def poppy():
    return pytest.importorskip("poppy")


def poppy_star(poppy, hole, waves, vane, step, size):
    """Defocused star of an obstructed 200 mm with four vanes at 550 nm (Fraunhofer)."""
    radius_m, wave_m = 0.1, 550e-9
    system = poppy.OpticalSystem(npix=1024, oversample=1)
    parts = [
        poppy.CircularAperture(radius=radius_m, gray_pixel=True),
        poppy.SecondaryObscuration(
            secondary_radius=hole * radius_m,
            n_supports=4 if vane else 0,
            support_width=vane * 2 * radius_m,
        ),
        poppy.ZernikeWFE(radius=radius_m, coefficients=[0, 0, 0, waves * wave_m]),
    ]
    system.add_pupil(poppy.CompoundAnalyticOptic(parts))
    scale = step * np.rad2deg(wave_m / (2 * radius_m)) * 3600
    system.add_detector(pixelscale=scale, fov_pixels=size)
    light = system.calc_psf(wavelength=wave_m)[0].data
    return light / light.sum()


@pytest.mark.parametrize("vane", [0.0, 0.02])
def test_donut_pixel_by_pixel_with_poppy(poppy, vane):
    theirs = poppy_star(poppy, 0.33, 1.0, vane, 0.25, 257)
    mine = diffraction(0.25, 257, 0.33, vanes(4, vane) if vane else (), only(DEFOCUS, 1.0))
    # 8.2 waves of edge path bring 256 samples of the pupil to a hundredth of the brightest ring.
    assert np.abs(mine / mine.sum() - theirs).max() < 0.02 * theirs.max()
    assert np.corrcoef(mine.ravel(), theirs.ravel())[0, 1] > 0.999


@pytest.mark.parametrize(
    ("shift_mm", "ratio", "pixels"),
    # Outer diameter dz / N: 100 um and 125 um, in pixels of 3.76 um.
    [(0.5, 5.0, 26.6), (1.0, 8.0, 33.2)],
)
@pytest.mark.parametrize("hole", [0.0, 0.4])
def test_donut_has_the_size_of_geometry(shift_mm, ratio, pixels, hole):
    blur_um = 1000 * shift_mm / ratio
    assert blur_um / 3.76 == pytest.approx(pixels, rel=2e-3)
    # Rays: light between two radii goes with the area between them, from the hole's rim outward.
    # Diffraction moves it by some 3 depths of focus (2 lambda N^2) over dz, 3 to 5 % here; so
    # the same geometry four times as far out of focus, in a band of 450 to 650 nm: 2 %, 3 % near
    # the rim.
    size, step_px, edges, mean = 401, 0.5, np.arange(0.0, 1.5, 0.005), np.zeros(300)
    for wave_nm in np.linspace(450, 650, 5):
        waves = only(DEFOCUS, 4 * defocus_waves(blur_um, ratio, wave_nm))
        step = step_px * 3.76 / (wave_nm / 1000 * ratio)  # in lambda / D
        light = diffraction(step, size, hole, waves=waves)
        over_rim = step_px * radius(size).ravel() / (4 * pixels / 2)
        mean += np.histogram(over_rim, np.append(edges, 1.5), weights=light.ravel())[0] / 5
    inside = mean.cumsum()
    for share, tolerance in ((0.25, 0.02), (0.5, 0.02), (0.75, 0.03)):
        expected = np.sqrt(hole**2 + share * (1 - hole**2))
        got = np.interp(share, inside, edges + 0.005)
        assert got == pytest.approx(expected, rel=tolerance), share
    # Nothing to speak of beyond the rim, hardly anything in the middle of the hole.
    assert np.interp(1.1, edges, inside) > 0.96
    assert np.interp(0.7 * hole, edges, inside) < 0.03


def test_both_sides_of_focus_are_alike_without_other_errors_and_unlike_with_them():
    # An even phase: I(-a) is I(a) turned by 180 degrees (Fourier optics). With spherical error the
    # two sides differ, as every optician's star test uses (common practice).
    inner, outer = (diffraction(0.25, 161, 0.3, waves=only(DEFOCUS, s)) for s in (-1.0, 1.0))
    assert np.abs(inner - outer).max() < 1e-4 * outer.max()
    spherical = np.array(only(TERMS.index("spherical"), 0.2))
    one, other = (
        diffraction(0.25, 161, 0.3, waves=list(spherical + only(DEFOCUS, s))) for s in (-1.0, 1.0)
    )
    assert np.abs(one - other).max() > 0.2 * one.max()
