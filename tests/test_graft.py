"""Faults grafted onto finished frames: nothing at zero, and as strong as they say above it."""

import galsim
import numpy as np
import pytest
from graft_source import GAIN, OFFSET, READ_E, SIDE, as_source, noisy, scene_of, star_field
from scipy import ndimage

from classifier.vocabulary import INDEX, KEYS
from synth.graft import can_graft, clean_strength, graft, uncapped
from synth.kernels import optics_kernel
from synth.recipes import RECIPES
from synth.relight import lone_pixels
from synth.stand_in import Source, bright_stars
from synth.strength import ABSENT


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


@pytest.mark.parametrize("key", [k for k in KEYS if k != "bayer_grid"])
def test_a_fault_changes_the_frame_and_says_how_strong_it_is(key, source):
    wanted = {"low_signal": 0.5, "hot_pixels": 0.5, "trail": 60.0, "clouds": 0.8}.get(key, 2.0)
    wanted = {"gradient": 40.0, "vignetting": 50.0, "reflection": 15.0, "dust_motes": 20.0}.get(
        key, wanted
    )
    done = graft(source, key, wanted, np.random.default_rng(7))
    assert not np.array_equal(done.pixels, source.pixels)
    # Hot pixels: a drawn share of 15 % more, of which those under 10 sigma do not count. Ratios of
    # sizes: recipes know the blurred star's size to some tens of percent. Ghosts: what of them
    # lies in the frame.
    near = 0.8 if key == "reflection" else 0.35
    assert done.strength[INDEX[key]] == pytest.approx(wanted, rel=near)
    others = [i for i, k in enumerate(KEYS) if k not in (key, "low_signal")]
    assert np.array_equal(done.strength[others], clean_strength(source)[others])
    assert done.pixels.max() <= 65535
    assert not np.mod(done.pixels, 1).any(), "whole numbers stay whole"


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
    assert after.var() == pytest.approx(model, rel=4 * (2 / SIDE**2) ** 0.5 + 0.1 / model)
    assert after.mean() == pytest.approx(sky_e / GAIN + OFFSET, rel=2e-3)


def drawn(profile: galsim.GSObject, side: int = 81) -> np.ndarray:
    return profile.drawImage(nx=side, ny=side, scale=1.0).array.astype(float)


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


def test_a_lopsided_donut_has_a_hole_to_see(source):
    """Where the recipe draws one, the frame's stars show a hole: a place darker than all round."""
    star = drawn(galsim.Gaussian(fwhm=source.fwhm_px), 61)
    scene, donuts = scene_of(source, 0.4), 0
    for seed in range(240):
        changed = RECIPES["miscollimation"](scene, 1.6, np.random.default_rng(seed))
        if not np.isnan(changed.strength.get("defocus", 0.0)):
            continue
        donuts += 1
        image = ndimage.convolve(star, optics_kernel(changed), mode="constant")
        bright = image > 0.05 * image.max()
        darkest = image == ndimage.minimum_filter(image, 5)
        assert (darkest & ndimage.binary_erosion(ndimage.binary_fill_holes(bright))).any(), seed
    # Of the quarter that is to be donuts, those far enough out of focus for a hole of 1.5 FWHM.
    assert 3 <= donuts < 60


def test_what_a_recipe_leaves_open_is_not_scored(source):
    """A lopsided donut is out of focus too."""
    told = [
        graft(source, "miscollimation", 1.6, np.random.default_rng(k)).strength for k in range(40)
    ]
    focus = np.array(told)[:, INDEX["defocus"]]
    assert np.isnan(focus).any()
    assert set(focus[~np.isnan(focus)]) == {1.0}


def test_hot_pixels_of_the_frame_stay_where_they_are(source):
    pixels = source.pixels.copy()
    pixels[50, 70] = 5000
    hot = as_source((pixels - OFFSET) * GAIN)
    after = graft(hot, "drift", 3.0, np.random.default_rng(2)).pixels
    # 5,000 ADU less its surroundings stays; noise there is some 12 ADU.
    assert after[50, 70] == pytest.approx(5000, abs=100)
    assert after[50, 69] < 700 > after[50, 71]


@pytest.mark.parametrize("fwhm", [1.6, 2.5, 3.6, 5.0, 8.0])
def test_stars_are_no_hot_pixels_and_rays_are(fwhm):
    """galsim's stars at any place within a pixel, as sharp as 1.6 px; a track of 3 px is a ray."""
    light = np.full((80, 80), 200.0)
    star = galsim.Moffat(beta=4.0, fwhm=fwhm)
    image = star.shift(0.3, -0.2).drawImage(nx=41, ny=41, scale=1.0).array
    light[20:61, 20:61] += 1e6 * image
    noise = (200 + READ_E**2) ** 0.5
    assert not lone_pixels(light, noise, fwhm).any()
    light[10, 10] += 3000
    if fwhm > 3.5:
        light[70, 10:13] += 3000
    lone = lone_pixels(light, noise, fwhm)
    assert lone[10, 10] == pytest.approx(3000, abs=10)
    assert np.count_nonzero(lone) == (4 if fwhm > 3.5 else 1)


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


def test_a_ghost_hangs_on_a_star_bright_enough(source):
    """A double bounce sends on some thousandths to hundredths of the star's light."""
    stars = bright_stars(source, source.electrons())
    grown = 0
    for seed in range(12):
        done = graft(source, "reflection", 30.0, np.random.default_rng(seed))
        added = (done.pixels - source.pixels) * GAIN
        y, x = np.unravel_index(np.argmax(added), added.shape)
        star = added[max(0, y - 3) : y + 4, max(0, x - 3) : x + 4].sum()
        # 30 % of 200 e over 49 px is 2,900 e, brighter rims twice that; a star's light is far more.
        if star > 12_000:
            grown += 1
            # Where the core is saturated already it is the wings that grow.
            assert np.hypot(stars.x_px - x, stars.y_px - y).min() < 8
    assert 2 <= grown < 12, "arcs, fans and glints come from stars outside the frame"


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
    # Gain alone: 10 / 11 of the noise's variance is the sky's.
    gain_only = Source(frame.pixels, 3.0, GAIN)
    sky_e = (800 + READ_E**2) * 10 / 11
    assert gain_only.zero_adu == pytest.approx(OFFSET + (800 - sky_e) / GAIN, abs=25)
    assert not blind.knows_sky
    assert not gain_only.knows_sky
    assert half.knows_sky


def test_what_cannot_be_is_refused(source):
    with pytest.raises(ValueError, match="colour mosaic"):
        graft(source, "bayer_grid", 0.1, np.random.default_rng(1))
    with pytest.raises(ValueError, match="no fault is called 'fog'"):
        graft(source, "fog", 0.1, np.random.default_rng(1))
