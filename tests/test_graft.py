"""Faults grafted onto finished frames: nothing changes at zero, light moves as closed forms and
galsim say, and the noise is that of a frame taken so."""

from dataclasses import replace

import galsim
import numpy as np
import pytest

from classifier.vocabulary import INDEX, KEYS
from synth import tracking
from synth.graft import can_graft, clean_strength, graft, uncapped
from synth.kernels import optics_kernel, path_kernel, soft_kernel, spike_kernel
from synth.optics import defocus_waves
from synth.renoise import add, dim, laid_down, smear
from synth.scene import Bar
from synth.stand_in import Source, bright_stars, stand_in
from synth.strength import ABSENT

READ_E, GAIN, OFFSET = 4.0, 1.5, 300.0
SIDE = 512


def noisy(expected_e: np.ndarray, seed: int = 1) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return rng.poisson(expected_e) + rng.normal(0, READ_E, expected_e.shape)


def star_field(seed: int = 1, size: tuple[int, int] = (240, 320)) -> np.ndarray:
    """Expected electrons: a sky of 200 and forty Gaussian stars of FWHM 3 px."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[: size[0], : size[1]]
    light = np.full(size, 200.0)
    for _ in range(40):
        cx, cy, flux = rng.uniform(0, size[1]), rng.uniform(0, size[0]), 2e3 + 3e3 * rng.pareto(1.0)
        light += min(flux, 1e6) / 10.2 * np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / 3.25)
    return light


def as_source(electrons: np.ndarray, cfa: str | None = None, **facts) -> Source:
    pixels = np.round(electrons / GAIN + OFFSET).clip(0, 65535).astype(np.float32)
    known = {
        "fwhm_px": 3.0,
        "gain_e_adu": GAIN,
        "read_noise_e": READ_E,
        "offset_adu": OFFSET,
        "saturation_adu": 65535.0,
        "scale_arcsec": 1.5,
        "focal_ratio": 6.0,
    }
    return Source(pixels, cfa=cfa, **(known | facts))


@pytest.fixture(scope="module")
def source() -> Source:
    return as_source(noisy(star_field()))


@pytest.fixture(scope="module")
def mosaic() -> Source:
    return as_source(noisy(star_field()), "RGGB")


@pytest.mark.parametrize("key", KEYS)
def test_zero_strength_is_the_frame_itself(key, source, mosaic):
    nothing = 1e9 if key == "low_signal" else ABSENT.get(key, 0.0)
    for frame in (source, mosaic):
        if can_graft(frame, key):
            done = graft(frame, key, nothing, np.random.default_rng(2))
            assert np.array_equal(done.pixels, frame.pixels)
            assert done.pixels.dtype == np.float32


def test_steps_that_have_nothing_to_do_return_the_light_itself():
    """Not by a short cut: with a point as kernel, a share of 1 and no light to add."""
    light, rng = noisy(star_field()), np.random.default_rng(2)
    assert np.array_equal(smear(light, laid_down(np.zeros((5, 2))), READ_E, rng), light)
    assert np.array_equal(dim(light, np.ones_like(light), READ_E, rng), light)
    assert np.array_equal(add(light, np.zeros_like(light), rng), light)


@pytest.mark.parametrize("key", [k for k in KEYS if k != "bayer_grid"])
def test_a_fault_changes_the_frame_and_says_how_strong_it_is(key, source):
    wanted = {"low_signal": 0.5, "hot_pixels": 0.5, "trail": 60.0, "clouds": 0.8}.get(key, 2.0)
    wanted = {"gradient": 40.0, "vignetting": 50.0, "reflection": 15.0, "dust_motes": 20.0}.get(
        key, wanted
    )
    done = graft(source, key, wanted, np.random.default_rng(7))
    assert not np.array_equal(done.pixels, source.pixels)
    # Hot pixels: a drawn share of 15 % more, of which those under 10 sigma do not count. Ratios of
    # sizes: recipes know the blurred star's size to some tens of percent.
    assert done.strength[INDEX[key]] == pytest.approx(wanted, rel=0.35)
    others = [i for i, k in enumerate(KEYS) if k not in (key, "low_signal")]
    assert np.array_equal(done.strength[others], clean_strength(source)[others])
    assert done.pixels.max() <= 65535
    assert not np.mod(done.pixels, 1).any(), "whole numbers stay whole"


# ---- noise ---------------------------------------------------------------------------------------
# A sample variance of n white Gaussian pixels scatters by sqrt(2 / n): 0.28 % of 512 x 512; a
# correlation by 1 / sqrt(n) = 0.2 %. Four of each.
VARIANCE, CORRELATION = 4 * (2 / SIDE**2) ** 0.5, 4 / SIDE

SMEARS = {
    "drift": laid_down(np.linspace(-4, 4, 128)[:, None] * np.array([[0.8, 0.6]])),
    "jump": laid_down(np.array([[0, 0], [0, 0], [5.3, -2.2]])),
    "small": laid_down(np.linspace(-0.5, 0.5, 64)[:, None] * np.array([[0.0, 1.0]])),
}


def assert_white(part: np.ndarray, variance: float) -> None:
    part = part - part.mean()
    assert part.var() == pytest.approx(variance, rel=VARIANCE)
    for dy, dx in ((0, 1), (1, 0), (1, 1), (0, 2), (2, 1), (3, 2)):
        shifted = part[dy:, dx:]
        product = (shifted * part[: part.shape[0] - dy, : part.shape[1] - dx]).mean()
        assert abs(product / part.var()) < CORRELATION, (dy, dx)


@pytest.mark.parametrize("name", SMEARS)
@pytest.mark.parametrize("sky_e", [60.0, 3000.0])
def test_smeared_sky_has_the_noise_of_a_sky(name, sky_e):
    light = noisy(np.full((SIDE, SIDE), sky_e))
    after = smear(light, SMEARS[name], READ_E, np.random.default_rng(3))
    # Poisson light of sky_e and the read noise, whatever the kernel: as if never smeared.
    assert_white(after, sky_e + READ_E**2)
    # The mean scatters by sqrt(variance / n).
    assert after.mean() == pytest.approx(light.mean(), abs=4 * (sky_e + 16) ** 0.5 / SIDE)


def test_smeared_light_has_the_noise_of_its_own_brightness():
    """A sky that rises from 100 to 2,000 electrons in a wide ramp: photon noise goes with it."""
    ramp = np.linspace(100, 2000, SIDE)[None].repeat(SIDE, 0)
    after = smear(noisy(ramp), SMEARS["drift"], READ_E, np.random.default_rng(3))
    noise = [piece.var() for piece in np.array_split((after - ramp)[:, 16:-16], 4, 1)]
    model = [piece.mean() + READ_E**2 for piece in np.array_split(ramp[:, 16:-16], 4, 1)]
    # A quarter of the pixels: twice the scatter of the whole.
    assert noise == pytest.approx(model, rel=2 * VARIANCE)


@pytest.mark.parametrize("share", [0.9, 0.5, 0.1])
def test_dimmed_light_is_poisson_again(share):
    light = noisy(np.full((SIDE, SIDE), 400.0))
    after = dim(light, share, READ_E, np.random.default_rng(3))
    assert_white(after, share * 400 + READ_E**2)
    assert after.mean() == pytest.approx(share * 400, abs=4 * (share * 400 + 16) ** 0.5 / SIDE)


def test_added_light_brings_its_own_noise():
    light = noisy(np.full((SIDE, SIDE), 400.0))
    assert_white(add(light, np.full_like(light, 250.0), np.random.default_rng(3)), 650 + READ_E**2)


@pytest.mark.parametrize(
    ("key", "strength", "sky_factor"),
    [("drift", 2.5, 1.0), ("defocus", 4.0, 1.0), ("low_signal", 3.0, 3 * READ_E**2 / 600)],
)
def test_a_grafted_frame_of_sky_has_the_noise_of_the_model(key, strength, sky_factor):
    frame = as_source(noisy(np.full((SIDE, SIDE), 600.0)))
    after = graft(frame, key, strength, np.random.default_rng(4)).pixels
    sky_e = 600 * sky_factor
    # Rounded twice, before and after: 1/12 ADU^2 each (Janesick 2001), the first of them treated
    # as light or read noise was.
    model = (sky_e + READ_E**2) / GAIN**2 + 2 / 12
    assert after.var() == pytest.approx(model, rel=VARIANCE + 0.1 / model)
    assert after.mean() == pytest.approx(sky_e / GAIN + OFFSET, rel=2e-3)


# ---- light ---------------------------------------------------------------------------------------


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
    scene = _scene(source, obstruction)
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


def _scene(source: Source, obstruction: float):
    scene = stand_in(source, source.electrons(), np.random.default_rng(1))
    telescope = replace(scene.rig.telescope, obstruction=obstruction)
    return replace(scene, rig=replace(scene.rig, telescope=telescope))


def drawn(profile: galsim.GSObject, side: int = 81) -> np.ndarray:
    return profile.drawImage(nx=side, ny=side, scale=1.0).array.astype(float)


@pytest.mark.parametrize("factor", [1.3, 2.0])
def test_poorer_seeing_turns_one_kolmogorov_star_into_another(source, factor):
    scene = _scene(source, 0.0)
    width = scene.rig.seeing_arcsec / scene.rig.scale_arcsec
    kernel = soft_kernel(replace(scene, seeing_factor=factor))
    got = noiseless(drawn(galsim.Kolmogorov(fwhm=width)), kernel)
    wanted = drawn(galsim.Kolmogorov(fwhm=width * factor))
    # A narrow kernel sampled at half pixels misses some of its peak: a percent.
    assert got == pytest.approx(wanted, abs=0.015 * wanted.max())


def test_aberrations_turn_good_stars_into_those_of_galsim(source):
    """galsim's own pupil: Noll defocus and coma, obstruction, under Kolmogorov seeing."""
    scene = _scene(source, 0.3)
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
    scene = replace(_scene(source, 0.0), bars=(Bar(0.0, 0.04, 0.0, False),))
    kernel = spike_kernel(scene)
    assert kernel.sum() == pytest.approx(1)
    middle = kernel.shape[0] // 2
    # A bar along x throws light along y; 12 % at 128 pupil samples a bar 5 samples wide.
    spike = kernel[:, middle - 6 : middle + 7].sum() - kernel[middle - 6 : middle + 7].sum()
    assert kernel[:, middle].sum() > 3 * kernel[middle].sum() - 2 * kernel[middle, middle]
    assert spike > 0
    outside = kernel.sum() - kernel[middle - 1 : middle + 2, middle - 1 : middle + 2].sum()
    assert 0.3 * 4 * 0.04 / np.pi < outside < 4 * 0.04 / np.pi


@pytest.mark.parametrize(("key", "wanted"), [("defocus", 2.5), ("miscollimation", 1.6)])
def test_the_strength_told_is_the_strength_measured(key, wanted):
    """Half-flux radius of a galsim star in the grafted frame against the same star before."""
    # lambda / D of 550 nm at f/6 and 1.5 arcsec on 4 um: 3.3 um, 0.825 px.
    optics = galsim.Airy(lam_over_diam=0.825)
    profile = galsim.Convolve(galsim.Kolmogorov(fwhm=3.0), optics)
    star = np.tile(drawn(profile, 121), (2, 3)) * 1e6 + 100
    pixels = (star / GAIN + OFFSET).astype(np.float32)
    fwhm = galsim.Convolve(profile, galsim.Pixel(1.0)).calculateFWHM()
    frame = Source(pixels, fwhm, GAIN, 0.1, OFFSET, None, 1.5, 6.0)
    done = graft(frame, key, wanted, np.random.default_rng(3))
    before, after = (_half_flux_px(p[:121, :121] - pixels.min()) for p in (pixels, done.pixels))
    # The stand-in's star has 0.7 px of pixel and diffraction where galsim's has the square pixel.
    assert after / before == pytest.approx(done.strength[INDEX[key]], rel=0.06)


def _half_flux_px(picture: np.ndarray) -> float:
    y, x = np.indices(picture.shape)
    total = picture.sum()
    radius = np.hypot(x - (x * picture).sum() / total, y - (y * picture).sum() / total).ravel()
    order = np.argsort(radius)
    share = np.cumsum(picture.ravel()[order]) / total
    return float(np.interp(0.5, share, radius[order]))


# ---- frames as they are --------------------------------------------------------------------------


def test_hot_pixels_of_the_frame_stay_where_they_are(source):
    pixels = source.pixels.copy()
    pixels[50, 70] = 5000
    hot = as_source((pixels - OFFSET) * GAIN)
    after = graft(hot, "drift", 3.0, np.random.default_rng(2)).pixels
    # 5,000 ADU less its surroundings stays; noise there is some 12 ADU.
    assert after[50, 70] == pytest.approx(5000, abs=100)
    assert after[50, 69] < 700 > after[50, 71]


def test_colours_of_a_mosaic_do_not_mix():
    light = np.empty((240, 320))
    levels = {(0, 0): 100.0, (0, 1): 400.0, (1, 0): 420.0, (1, 1): 250.0}
    for (i, j), level in levels.items():
        light[i::2, j::2] = level
    frame = as_source(noisy(light), "RGGB")
    for key, strength in (("drift", 3.0), ("bloated_stars", 2.0), ("defocus", 3.0)):
        after = graft(frame, key, strength, np.random.default_rng(2)).pixels
        for (i, j), level in levels.items():
            # 19,200 pixels: the median scatters by some 0.15 ADU.
            assert np.median(after[i::2, j::2]) == pytest.approx(level / GAIN + OFFSET, abs=1.1)


def test_a_narrow_band_leaves_the_planes_it_says(mosaic):
    done = graft(mosaic, "bayer_grid", 0.1, np.random.default_rng(2))
    planes = [np.median(done.pixels[i::2, j::2]) - OFFSET for i in (0, 1) for j in (0, 1)]
    # Weakest plane 13 ADU of 133; its median scatters by 0.1 ADU and is rounded to 1.
    assert min(planes) / max(planes) == pytest.approx(done.strength[INDEX["bayer_grid"]], abs=0.012)


def test_a_saturated_star_smears_into_a_longer_saturated_star():
    y, x = np.mgrid[:121, :121]
    light = 200 + 3e5 * np.exp(-((x - 60) ** 2 + (y - 60) ** 2) / 3.25)
    top = 20_000.0
    pixels = np.minimum(np.round(noisy(light) / GAIN + OFFSET), top).astype(np.float32)
    frame = Source(pixels, 3.0, GAIN, READ_E, OFFSET, top, 1.5, 6.0)
    rebuilt = uncapped(frame, frame.electrons())
    # A Moffat star through the edge of the flat top; true peak 3e5, within a factor of 2.
    assert 1.5e5 < rebuilt[60, 60] < 6e5
    spread = np.cov(np.nonzero(pixels >= top)).max() ** 0.5
    lengths = []
    for seed in range(6):
        after = graft(frame, "drift", 2.0, np.random.default_rng(seed)).pixels
        assert after.max() <= top
        full = np.nonzero(after >= top)
        lengths.append(np.linalg.eigvalsh(np.cov(full))[1] ** 0.5)
    # Twice as long and half as bright, its middle is still over the top; left as a flat top of
    # 3e4 electrons it would have sunk under it.
    assert np.mean(lengths) > 1.25 * spread


def test_clouds_dim_the_stars_by_what_they_say():
    light = np.full((200, 200), 300.0)
    light[100:103, 100:103] += 1e6
    frame = as_source(noisy(light), saturation_adu=None)
    frame = Source(frame.pixels.copy(), 3.0, GAIN, READ_E, OFFSET, None, 1.5, 6.0)
    done = graft(frame, "clouds", 0.75, np.random.default_rng(8))
    lost = -2.5 * np.log10(
        (done.pixels[101, 101] - OFFSET) / (min(frame.pixels[101, 101], 65535) - OFFSET)
    )
    # 0.75 mag on average over the frame; patches vary by a share drawn up to 0.8 of it.
    assert 0.05 < lost < 3.0
    assert done.strength[INDEX["clouds"]] >= 0.75 - 1e-6


def test_a_trail_lies_where_it_says(source):
    done = graft(source, "trail", 200.0, np.random.default_rng(2))
    added = done.pixels - source.pixels
    for x0, y0, x1, y1 in done.where:
        at = np.linspace(0.05, 0.95, 40)
        xs, ys = np.rint(x0 + at * (x1 - x0)).astype(int), np.rint(y0 + at * (y1 - y0)).astype(int)
        inside = (xs >= 0) & (ys >= 0) & (xs < 320) & (ys < 240)
        assert (added[ys[inside], xs[inside]] > 0).mean() > 0.9


def test_brightest_stars_are_found_where_they_are():
    y, x = np.mgrid[:200, :200]
    light = np.full((200, 200), 200.0)
    places = [(40, 50, 3e5), (150, 60, 1e5), (90, 160, 5e4)]
    for cx, cy, flux in places:
        light += flux / 10.2 * np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / 3.25)
    frame = as_source(noisy(light))
    stars = bright_stars(frame, frame.electrons(), 3)
    assert np.abs(stars.x_px - [p[0] for p in places]).max() <= 1
    assert np.abs(stars.y_px - [p[1] for p in places]).max() <= 1
    # A window of 7 px holds 98 % and more of a star of FWHM 3.
    assert stars.flux_e == pytest.approx([p[2] for p in places], rel=0.05)


def test_unknown_facts_come_from_the_noise():
    frame = as_source(noisy(np.full((240, 320), 800.0)))
    blind = Source(frame.pixels - OFFSET, 3.0)
    # Sky over squared read noise taken as 10: sigma^2 = sky 1.1, so the gain comes out near.
    assert blind.gain == pytest.approx(GAIN * (1 + READ_E**2 / 800) / 1.1, rel=0.15)
    half = Source(frame.pixels, 3.0, GAIN, READ_E)
    assert half.zero_adu == pytest.approx(OFFSET, abs=25)
    assert not blind.knows_sky
    assert half.knows_sky


def test_what_cannot_be_is_refused(source):
    with pytest.raises(ValueError, match="colour mosaic"):
        graft(source, "bayer_grid", 0.1, np.random.default_rng(1))
    with pytest.raises(ValueError, match="no fault is called 'fog'"):
        graft(source, "fog", 0.1, np.random.default_rng(1))
