"""Star shapes of the generator against closed forms, printed constants and galsim."""

import galsim
import numpy as np
import pytest
import torch

from synth.atmosphere import kolmogorov_otf, outer_scale_factor, von_karman_otf
from synth.optics import TERMS, defocus_waves, pupil_amplitude, spread
from synth.psf import Blur, Pupil, fwhm_px, half_flux_radius_px, star_light
from synth.starlight import wide_light

OVER = 4


def none(*shape: int) -> torch.Tensor:
    return torch.zeros(*shape)


def airy(obstruction: float, step: float = 0.1, samples: int = 512) -> torch.Tensor:
    """Noiseless star of a bare pupil; `step` in lambda / D."""
    amplitude = pupil_amplitude(
        256, torch.tensor([obstruction]), none(1, 1), none(1, 1), none(1, 1), none(1, 1)
    )
    return spread(amplitude, none(1, 1, len(TERMS)), torch.tensor([step]), samples)[0, 0]


@pytest.mark.parametrize(
    # Full width in lambda / D: 1.0290 as in GalSim's airy.py; 0.9811 for a linear obstruction of
    # 0.30 (obscured Airy formula, worked out with scipy's Bessel functions).
    ("obstruction", "width"),
    [(0.0, 1.0290), (0.3, 0.9811)],
)
def test_airy_width(obstruction, width):
    light = airy(obstruction)
    row = light[256].numpy() / float(light[256, 256])
    edge = np.interp(-0.5, -row[256:270], np.arange(14)) * 0.1
    # Linear interpolation on a grid of 0.1 lambda / D and 256 samples of the pupil: 1 %.
    assert 2 * edge == pytest.approx(width, rel=0.01)


def test_airy_first_dark_ring():
    row = airy(0.0)[256, 256:].numpy()
    dark = np.flatnonzero((row[1:-1] < row[:-2]) & (row[1:-1] < row[2:]))[0] + 1
    # First zero of J1: 1.2197 lambda / D (Born & Wolf 8.5.2, from memory); one grid step.
    assert dark * 0.1 == pytest.approx(1.2197, abs=0.06)


def star(seeing_px: float, path: np.ndarray | None = None) -> torch.Tensor:
    """A seeing-limited star: diffraction is made negligible (0.05 px)."""
    pupil = Pupil(none(1), none(1, 1), none(1, 1), none(1, 1), none(1, 1), torch.tensor([0.05]))
    paths = none(1, 1, 128, 2) if path is None else torch.tensor(path).float()[None, None]
    blur = Blur(
        none(1, 1, len(TERMS)), torch.tensor([[seeing_px]]), torch.tensor([9.0]), none(1), paths
    )
    return star_light(pupil, blur, 64, OVER, 64, (1.0,))[0, 0]


def test_kolmogorov_star_agrees_with_galsim():
    seeing = 4.0
    mine = star(seeing).numpy() / OVER**2
    profile = galsim.Convolve(galsim.Kolmogorov(fwhm=seeing), galsim.Pixel(1.0))
    theirs = profile.drawImage(nx=256, ny=256, scale=1 / OVER, method="no_pixel").array
    # galsim puts the centre between the middle pixels of an even image.
    theirs = (
        profile.shift(0.5 / OVER, 0.5 / OVER)
        .drawImage(nx=256, ny=256, scale=1 / OVER, method="no_pixel")
        .array
    )
    # The periodic grid folds the wings beyond 32 px back in: under 1 % of the peak anywhere.
    assert np.abs(mine - theirs).max() < 0.01 * theirs.max()
    assert float(fwhm_px(torch.tensor(mine), OVER)) == pytest.approx(
        float(fwhm_px(torch.tensor(theirs), OVER)), rel=0.01
    )


@pytest.mark.parametrize(("r0_m", "outer_m"), [(0.04, 20.0), (0.1, 20.0), (0.1, 2.0)])
def test_outer_scale_agrees_with_galsim(r0_m, outer_m):
    # galsim integrates the von Karman structure function; the series is exact to 1e-5 where the
    # transfer is above 1e-3. Tokovinin's width factor is good to a per cent, which moves the
    # transfer by up to 0.007.
    exact = galsim.VonKarman(lam=500, r0=r0_m, L0=outer_m)
    frequency = np.linspace(0, 1.5 * r0_m / 500e-9 / 206265, 40)  # cycles per arcsec
    theirs = [exact.kValue(2 * np.pi * f, 0).real / exact.flux for f in frequency]
    without = galsim.Kolmogorov(lam=500, r0=r0_m).fwhm
    share = torch.tensor(r0_m / outer_m)
    for width, tolerance in (
        (without * outer_scale_factor(r0_m, outer_m), 1e-4),
        (exact.calculateFWHM(), 8e-3),
    ):
        fine = torch.tensor(frequency, dtype=torch.float64)
        mine = von_karman_otf(fine, torch.tensor(width, dtype=torch.float64), share)
        np.testing.assert_allclose(mine.numpy(), theirs, atol=tolerance)


def test_no_outer_scale_is_kolmogorov():
    frequency = torch.linspace(0, 3, 50)
    mine = von_karman_otf(frequency, torch.tensor(1.3), torch.tensor(0.0))
    torch.testing.assert_close(mine, kolmogorov_otf(frequency, torch.tensor(1.3)))


def test_half_flux_radius_of_seeing():
    light = star(6.0)
    # 0.554811 / 0.975865 of the FWHM (galsim's kolmogorov.py, after Racine 1996); the pixel adds
    # in quadrature some 0.4 %, wings cut at 32 px take 1 to 2 %.
    assert float(half_flux_radius_px(light, OVER)) == pytest.approx(0.5685 * 6.0, rel=0.025)


@pytest.mark.parametrize(
    ("kind", "expected"),
    # L^2 / 12 for a drift of 6 px, A^2 / 2 for a sine of 3 px, f (1 - f) d^2 for a jump of 4 px at
    # half time: closed forms.
    [("line", 3.0), ("sine", 4.5), ("jump", 4.0)],
)
def test_paths_add_their_second_moment(kind, expected):
    time = (np.arange(128) + 0.5) / 128
    x = {
        "line": 6.0 * (time - 0.5),
        "sine": 3.0 * np.sin(2 * np.pi * 8 * time),
        "jump": np.where(time < 0.5, -2.0, 2.0),
    }[kind]
    path = np.stack((x, np.zeros(128)), 1)

    def moment(light: torch.Tensor, axis: int) -> float:
        place = (torch.arange(256) - 128).float() / OVER
        profile = light.sum(axis)
        middle = (profile * place).sum() / profile.sum()
        return float((profile * (place - middle) ** 2).sum() / profile.sum())

    still, moved = star(3.0), star(3.0, path)
    # The wings' own moment is the same in both and falls out; a grid of 1/4 px: 2 %.
    assert moment(moved, 0) - moment(still, 0) == pytest.approx(expected, rel=0.02)
    assert moment(moved, 1) - moment(still, 1) == pytest.approx(0.0, abs=0.03)


def test_defocus_donut_has_the_geometric_width():
    # 100 um at f/5 and 550 nm in pixels of 3.76 um: 26.6 px across (dz / N).
    waves = none(1, 1, len(TERMS))
    waves[..., 0] = defocus_waves(100.0, 5.0, 550.0)
    pupil = Pupil(
        torch.tensor([0.33]), none(1, 1), none(1, 1), none(1, 1), none(1, 1),
        torch.tensor([0.55 * 5.0 / 3.76]),
    )  # fmt: skip
    blur = Blur(waves, torch.tensor([[1.0]]), torch.tensor([9.0]), none(1), none(1, 1, 128, 2))
    light = star_light(pupil, blur, 64, OVER, 128, (1.0,))[0, 0]
    # Half of an annulus' light lies within D / 2 sqrt((1 + eps^2) / 2) (area); seeing and
    # diffraction rings move it by a few per cent.
    expected = 26.6 / 2 * np.sqrt((1 + 0.33**2) / 2)
    assert float(half_flux_radius_px(light, OVER)) == pytest.approx(expected, rel=0.05)
    assert float(light[128, 128]) < 0.5 * float(light.max())


def test_light_of_a_filter_is_the_mean_over_its_band():
    # A broad filter of half its wavelength and a line filter of 5 nm at 656 nm, before next to no
    # seeing. galsim's Airy discs: four wavelengths in the middles of equal parts of the band.
    wave_px, hole = 3.0, 0.3
    bands = torch.tensor([0.5, 5.0 / 656.3])
    pupil = Pupil(
        torch.full((2,), hole), none(2, 1), none(2, 1), none(2, 1), none(2, 1),
        torch.full((2,), wave_px), bands,
    )  # fmt: skip
    blur = Blur(none(2, 1, len(TERMS)), torch.full((2, 1), 0.02), torch.full((2,), 9.0), none(2),
                none(2, 1, 128, 2))  # fmt: skip
    mine = wide_light(pupil, blur)[:, 0].double().numpy() / 4
    for light, width in zip(mine, bands.tolist(), strict=True):
        parts = [
            galsim.Airy(lam_over_diam=wave_px * (1 + width * middle), obscuration=hole)
            for middle in (-0.375, -0.125, 0.125, 0.375)
        ]
        profile = galsim.Convolve(galsim.Sum(parts) * 0.25, galsim.Pixel(1.0))
        theirs = (
            profile.shift(0.25, 0.25).drawImage(nx=512, ny=512, scale=0.5, method="no_pixel").array
        )
        inner = (slice(206, 307),) * 2
        # 256 samples over the pupil and a grid of half pixels.
        assert np.abs(light - theirs)[inner].max() < 0.01 * theirs.max()
    # The rings of the line filter stand, those of the broad one smear away: depth of the dark ring
    # beside the bright one near 1.6 lambda / D.
    row = mine[:, 256, 256:300]
    assert row[1, 7:13].max() / row[1, 5:9].min() > 2 * row[0, 7:13].max() / row[0, 5:9].min()
