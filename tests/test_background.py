"""Sky level, noise, colour mosaics and edges, against what was painted and against astropy."""

import numpy as np
import pytest
from astropy.stats import mad_std, sigma_clipped_stats
from painted_sky import as_frame, gaussian, grid_of_stars, paint, starfield

from classifier.background import lit_area, luminance, measure_background
from classifier.measures import measure_frame
from classifier.pixel_defects import hot_mask, is_mosaic, pixel_noise, without_hot
from classifier.vocabulary import KEYS

SHAPE = (320, 400)


def noise_frame(seed=0, sky=800.0, noise=12.0, shape=SHAPE):
    return np.random.default_rng(seed).normal(sky, noise, shape).astype(np.float32)


def test_level_and_noise_of_an_empty_sky():
    background = measure_background(noise_frame())
    # 128,000 pixels: the noise is known to 0.2 %, the median level to 0.05 ADU.
    assert background.noise_adu == pytest.approx(12.0, rel=0.01)
    assert background.level_adu == pytest.approx(800.0, abs=0.3)
    assert background.windows[0].noise_adu == pytest.approx(12.0, rel=0.03)
    assert not background.mosaic


def test_noise_agrees_with_astropy_on_a_star_field():
    picture = starfield(noise=7.0)
    background = measure_background(picture)
    assert background.noise_adu == pytest.approx(mad_std(picture), rel=0.06)
    _, clipped, _ = sigma_clipped_stats(picture, sigma=3.0)
    assert background.level_adu == pytest.approx(clipped, abs=1.0)


def test_integer_data_of_small_noise():
    """Rounding adds 1/12 ADU^2 (uniform error of the converter, E5 of the detector values)."""
    picture = np.rint(noise_frame(noise=0.8)).astype(np.float32)
    assert pixel_noise(picture) == pytest.approx(np.sqrt(0.8**2 + 1 / 12), rel=0.02)


def test_noise_of_integers_that_seldom_leave_one_level_is_not_nothing():
    # Bernoulli pixels: standard deviation sqrt(p (1 - p)), closed form. Clipping takes a part.
    p = 0.02
    picture = 14 + (np.random.default_rng(6).random((300, 400)) < p).astype(np.float32)
    truth = np.sqrt(p * (1 - p))
    assert 0.4 * truth < pixel_noise(picture) < 1.1 * truth


def test_a_crowded_field_does_not_lift_the_sky():
    places = np.random.default_rng(1).uniform(0, 400, (700, 2)) * [1.0, 0.8]
    picture = paint(SHAPE, gaussian(2.5), places, 800.0, noise=5.0, half=8)
    background = measure_background(picture)
    assert background.level_adu == pytest.approx(500.0, abs=3.5)
    assert background.windows[0].noise_adu == pytest.approx(5.0, rel=0.5)
    assert background.noise_adu == pytest.approx(5.0, rel=0.35)


def test_a_nebula_does_not_pass_for_noise():
    y, x = np.indices(SHAPE)
    nebula = 300 * np.exp(-((x - 150) ** 2 + (y - 120) ** 2) / (2 * 60.0**2))
    background = measure_background(noise_frame(noise=5.0) + nebula.astype(np.float32))
    assert background.noise_adu == pytest.approx(5.0, rel=0.02)
    assert background.windows[0].noise_adu == pytest.approx(5.0, rel=0.26)


def mosaic_frame(seed=0, colours=(0.5, 1.0, 1.0, 0.6)):
    picture = noise_frame(seed, sky=0.0, noise=6.0)
    for k, colour in enumerate(colours):
        picture[k // 2 :: 2, k % 2 :: 2] += 1000 * colour
    return picture


def test_a_mosaic_is_no_noise():
    background = measure_background(mosaic_frame(), "RGGB")
    assert background.noise_adu == pytest.approx(6.0, rel=0.02)
    assert background.level_adu == pytest.approx(1000 * (0.5 + 1 + 1 + 0.6) / 4, abs=1.0)
    # The binomial filter lowers white noise to sqrt(3/8 * 3/8) of itself.
    assert background.windows[0].noise_adu == pytest.approx(6.0 * 3 / 8, rel=0.05)


def test_the_binomial_mean_takes_any_mosaic_out_exactly():
    flat = np.zeros((40, 40), np.float32)
    for k, value in enumerate((3.0, 11.0, 11.0, 40.0)):
        flat[k // 2 :: 2, k % 2 :: 2] = value
    assert np.ptp(luminance(flat, True)) < 1e-5
    assert luminance(flat, True).mean() == pytest.approx((3 + 11 + 11 + 40) / 4)


def test_a_mosaic_without_a_header_is_recognised_and_odd_columns_are_not_one():
    picture = mosaic_frame()
    assert is_mosaic(picture, 6.0)
    columns = noise_frame(noise=6.0)
    columns[:, ::2] += 20.0
    assert not is_mosaic(columns, 6.0)
    assert not is_mosaic(noise_frame(noise=6.0), 6.0)


def test_overscan_strips_are_cut_off():
    picture = noise_frame(noise=6.0)
    picture[:, 376:] -= 500.0
    picture[:10] -= 500.0
    assert lit_area(picture) == (0, 10, 376, 320)
    assert measure_background(picture).level_adu == pytest.approx(800.0, abs=0.5)
    assert lit_area(noise_frame()) == (0, 0, 400, 320)


def test_strips_hardly_darker_than_a_faint_sky_are_cut_off_too():
    """A sky of 34 ADU above the bias, noise of 14: of 16 such subs none was cut at all its sides,
    and the edge of a strip passed for a trail. One bright column is no measure of a usual step."""
    rng = np.random.default_rng(4)
    for _ in range(6):
        pixels = rng.normal(534, 14, (700, 900)).astype(np.float32)
        pixels[:, 400] += 60
        for strip in (np.s_[:, :36], np.s_[:, -52:], np.s_[-24:]):
            pixels[strip] = rng.normal(500, 3, pixels[strip].shape)
        assert lit_area(pixels) == (36, 0, 848, 676)


def test_blank_corners_are_no_sky():
    picture = noise_frame(noise=6.0)
    y, x = np.indices(SHAPE)
    picture[x + y < 120] = 0.0
    background = measure_background(picture)
    assert 0.9 < background.picture.valid.mean() < 0.97  # 7,260 of 128,000 pixels are blank
    evidence = measure_frame(as_frame(picture, offset_adu=0.0)).evidence
    assert evidence["gradient"].state == "no"
    assert evidence["vignetting"].state == "no"


def test_hot_pixels_are_counted_and_stars_are_not():
    rng = np.random.default_rng(2)
    stars = paint(SHAPE, gaussian(1.2), grid_of_stars(SHAPE, 20, 2), 3000.0, noise=5.0, half=8)
    before = int(hot_mask(stars, 5.0, False).sum())
    places = rng.choice(SHAPE[0] * SHAPE[1], 300, replace=False)
    picture = stars.copy()
    picture.ravel()[places] += rng.uniform(80, 2000, 300).astype(np.float32)
    found = hot_mask(picture, 5.0, False)
    assert before <= 3  # of 320 stars of FWHM 1.2 px
    # Lost are those on stars and in the six pixels along the edge, some 7 % and 8 %.
    assert 0.8 * 300 < found.sum() - before <= 300
    cleaned = without_hot(picture, found, False)
    # Where one sits on a star's flank its neighbours' median is a poor guess; elsewhere not.
    assert np.percentile(np.abs(cleaned - stars)[found], 90) < 25


def test_a_hot_pixel_on_a_mosaic_is_held_against_its_own_colour():
    picture = mosaic_frame()
    assert hot_mask(picture, 6.0, True).sum() == 0
    picture[100, 100] += 100.0
    assert hot_mask(picture, 6.0, True)[100, 100]


@pytest.mark.parametrize("shape", [(100, 100), (40, 600), (33, 33), (20, 20)])
def test_tiny_frames_are_measured_or_told_to_be_too_small(shape):
    measures = measure_frame(as_frame(noise_frame(shape=shape)))
    assert tuple(measures.evidence) == KEYS
    assert not any(evidence.state == "yes" for evidence in measures.evidence.values())
    if min(shape) < 32:
        assert "32 x 32" in measures.evidence["trail"].note


@pytest.mark.parametrize("kind", ["constant", "two values", "dark", "ramp"])
def test_frames_without_a_sky_are_survived(kind):
    frame = noise_frame(sky=100.0, noise=3.0)
    if kind == "constant":
        frame[:] = 7.0
    elif kind == "two values":
        frame = np.rint(noise_frame(sky=0.0, noise=0.3)).astype(np.float32)
    elif kind == "ramp":
        frame += np.arange(SHAPE[1], dtype=np.float32)
    measures = measure_frame(as_frame(frame))
    assert tuple(measures.evidence) == KEYS
    assert measures.numbers["star_count"] <= 3
