"""Star measures against closed forms, photutils and astropy on painted stars.

Stars are integrated over pixels, so a Gaussian of variance s^2 shows as s^2 + 1/12 px^2 (the
variance of a pixel); C1 to C17 below are rows of the closed forms for star sizes and shapes:
Gaussian and Moffat (Moffat 1969, A&A 3, 455) half-flux radii, discs and annuli by integration,
moments as in the SExtractor manual, and variances of motions (line L^2/12, sine A^2/2, jump
f (1 - f) d^2), all derived independently.
"""

import numpy as np
import pytest
from painted_sky import as_frame, gaussian, grid_of_stars, images, moffat, paint, ring

from classifier.background import measure_background
from classifier.measures import measure_frame
from classifier.stars import find_stars

SHAPE = (480, 640)


def measured(stamp, flux=40000.0, spacing=60, half=30, shape=SHAPE, noise=5.0, margin=None):
    places = grid_of_stars(shape, spacing, seed=3, margin=margin)
    flux = flux * np.random.default_rng(4).uniform(0.8, 1.6, len(places))
    picture = paint(shape, stamp, places, flux, noise=noise, half=half, seed=3)
    field = find_stars(measure_background(picture))
    return field, field.stars[field.stars["shaped"]], places


def median(stars, name):
    return float(np.median(stars[name]))


def with_pixel(fwhm_px):
    """FWHM of a Gaussian integrated over pixels, by variances: sqrt(w^2 + 8 ln 2 / 12)."""
    return np.sqrt(fwhm_px**2 + 8 * np.log(2) / 12)


@pytest.mark.parametrize(("fwhm_px", "seen"), [(2, 2.112), (3, 3.076), (4, 4.057)])
def test_c9_fwhm_of_gaussians_integrated_over_pixels(fwhm_px, seen):
    _, stars, places = measured(gaussian(fwhm_px))
    assert len(stars) == len(places)
    assert with_pixel(fwhm_px) == pytest.approx(seen, abs=1e-3)
    # Median over 80 stars of S/N over 500: the error is the method's, not the noise's.
    assert median(stars, "fwhm_px") == pytest.approx(seen, rel=0.01)


@pytest.mark.parametrize("fwhm_px", [2.0, 3.0, 5.0])
def test_c1_half_flux_diameter_of_a_gaussian_is_its_fwhm(fwhm_px):
    _, stars, _ = measured(gaussian(fwhm_px))
    assert median(stars, "hfr_px") == pytest.approx(with_pixel(fwhm_px) / 2, rel=0.02)


@pytest.mark.parametrize(("beta", "ratio"), [(2.5, 1.3559), (3.0, 1.2624), (4.765, 1.1362)])
def test_c3_half_flux_diameter_of_a_moffat(beta, ratio):
    _, stars, _ = measured(moffat(4.0, beta), flux=80000.0, half=29)
    # The pixel widens the half-flux radius as it does a Gaussian's, 2 ln 2 / 12 in square.
    expected = np.sqrt((ratio * 2.0) ** 2 + 2 * np.log(2) / 12)
    assert median(stars, "hfr_px") == pytest.approx(expected, rel=0.03)


@pytest.mark.parametrize(
    ("diameter_px", "eps", "ratio"),
    [(16, 0.0, 0.70711), (16, 0.33, 0.74461), (24, 0.5, 0.79057), (60, 0.33, 0.74461)],
)
def test_c4_c5_discs_and_annuli(diameter_px, eps, ratio):
    wide = {"spacing": 140, "margin": 105, "shape": (500, 640)} if diameter_px > 30 else {}
    _, stars, places = measured(ring(diameter_px, eps), flux=600 * diameter_px**2, half=45, **wide)
    assert len(stars) >= 0.8 * len(places)  # one star each, not the pieces of a ring
    assert median(stars, "hfr_px") == pytest.approx(ratio * diameter_px / 2, rel=0.02)
    assert median(stars, "elongation") == pytest.approx(1.0, abs=0.03)


def test_c7_elongation_and_angle_are_those_of_the_moments():
    _, stars, _ = measured(gaussian(3.0, stretch=2.0, angle_deg=30.0), half=20)
    minor = (3 / 2.35482) ** 2 + 1 / 12
    major = (6 / 2.35482) ** 2 + 1 / 12
    assert median(stars, "elongation") == pytest.approx(np.sqrt(major / minor), rel=0.02)
    assert median(stars, "angle_deg") == pytest.approx(30.0, abs=1.0)


def motion(kind, size):
    if kind == "line":
        steps = (np.arange(61) + 0.5) / 61 - 0.5
        return images(3.0, [(size * s, 0) for s in steps], np.full(61, 1 / 61))
    phase = (np.arange(64) + 0.5) / 64 * 2 * np.pi
    return images(3.0, [(size * np.sin(p), 0) for p in phase], np.full(64, 1 / 64))


@pytest.mark.parametrize(
    ("kind", "size", "added", "without_pixel"),
    [
        ("line", 3.0, 9 / 12, 1.209),  # C15
        ("line", 6.0, 36 / 12, 1.688),
        ("sine", 1.0, 1 / 2, 1.144),  # C16
        ("sine", 2.0, 4 / 2, 1.494),
    ],
)
def test_c15_c16_variance_added_by_motion(kind, size, added, without_pixel):
    sigma2 = (3 / 2.354820) ** 2
    assert np.sqrt(1 + added / sigma2) == pytest.approx(without_pixel, abs=1e-3)
    _, stars, _ = measured(motion(kind, size), half=20)
    expected = np.sqrt(1 + added / (sigma2 + 1 / 12))
    assert median(stars, "elongation") == pytest.approx(expected, rel=0.02)


def test_c17_one_guiding_jump():
    sigma2 = (3 / 2.354820) ** 2
    assert np.sqrt(1 + 0.25 * 16 / sigma2) == pytest.approx(1.861, abs=1e-3)
    _, stars, _ = measured(images(3.0, [(0, 0), (4, 0)], [0.5, 0.5]), half=20)
    expected = np.sqrt(1 + 0.25 * 16 / (sigma2 + 1 / 12))
    # Moments under a finite weight see a little less than all of a double star: 3 %.
    assert median(stars, "elongation") == pytest.approx(expected, rel=0.03)


def test_undersampled_stars_are_stars_and_keep_their_width():
    _, stars, places = measured(gaussian(1.2), flux=5000.0)
    assert len(stars) >= 0.9 * len(places)
    # Gaussian moments stand for pixel-integrated light of this width to some percent only.
    assert median(stars, "fwhm_px") == pytest.approx(with_pixel(1.2), rel=0.05)
    assert median(stars, "elongation") < 1.1


def test_noise_does_not_stretch_round_stars():
    """The median of a / b of noisy round stars would lie near 1.1 without taking out the bias."""
    _, stars, _ = measured(gaussian(3.0), flux=1200.0, noise=5.0)
    assert 20 < np.median(stars["snr"]) < 80
    assert median(stars, "elongation") < 1.08
    common = np.hypot(np.median(stars["e1"]), np.median(stars["e2"]))
    assert common < 0.04


def test_hot_pixels_do_not_count_as_stars():
    rng = np.random.default_rng(5)
    picture = paint(SHAPE, gaussian(2.0), grid_of_stars(SHAPE, 80, 5), 20000.0)
    rows, columns = rng.integers(3, SHAPE[0] - 3, 400), rng.integers(3, SHAPE[1] - 3, 400)
    picture[rows, columns] += rng.uniform(60, 20000, 400).astype(np.float32)
    clean = find_stars(measure_background(paint(SHAPE, gaussian(2.0), [], 0.0)))
    field = find_stars(measure_background(picture))
    assert len(clean.stars) == 0
    assert len(field.stars) == len(grid_of_stars(SHAPE, 80, 5))


def test_saturated_stars_are_flagged_and_not_shaped():
    places = grid_of_stars(SHAPE, 60, 6)
    fluxes = np.full(len(places), 20000.0)
    fluxes[::10] = 2_000_000.0
    picture = paint(SHAPE, gaussian(3.0), places, fluxes).clip(0, 30000)
    stars = find_stars(measure_background(picture), saturation_adu=30000.0).stars
    assert stars["saturated"].sum() == len(fluxes[::10])
    assert not (stars["saturated"] & stars["shaped"]).any()
    inferred = find_stars(measure_background(picture)).stars
    assert inferred["saturated"].sum() == len(fluxes[::10])


def test_positions_fluxes_and_widths_agree_with_photutils():
    from photutils.aperture import CircularAperture, aperture_photometry
    from photutils.psf import fit_fwhm

    rng = np.random.default_rng(8)
    places = grid_of_stars(SHAPE, 60, 8)
    fluxes = rng.uniform(5000, 80000, len(places))
    picture = paint(SHAPE, moffat(3.5, 4.0), places, fluxes, seed=8)
    stars = find_stars(measure_background(picture)).stars
    stars = stars[stars["shaped"]]
    xy = np.stack((stars["x"], stars["y"]), 1)
    nearest = np.argmin(np.hypot(*(xy[:, None] - places[None]).transpose(2, 0, 1)), axis=1)
    # The centroid's error is about sigma / S/N, here below 0.02 px for the faintest.
    assert np.hypot(*(xy - places[nearest]).T).max() < 0.1
    theirs = fit_fwhm(picture - 500.0, xypos=xy, fit_shape=11)
    # Theirs is a least-squares Gaussian, ours a weighted moment: on a Moffat 4 the tails weigh a
    # little more in ours.
    assert np.median(stars["fwhm_px"] / theirs) == pytest.approx(1.03, abs=0.04)
    sums = aperture_photometry(picture - 500.0, CircularAperture(xy, 12.0))["aperture_sum"]
    half = aperture_photometry(
        picture - 500.0, [CircularAperture(xy[i], float(stars["hfr_px"][i])) for i in range(1)]
    )
    assert float(half["aperture_sum_0"][0]) / float(sums[0]) == pytest.approx(0.5, abs=0.03)
    # Apertures of 12 px hold 99.8 % of a Moffat 4 of 3.5 px.
    assert np.median(stars["flux"] / np.asarray(sums)) == pytest.approx(1.0, abs=0.03)


def test_coherence_and_angle_agree_with_circular_statistics():
    from astropy.stats import circmean, circstats  # noqa: F401
    from astropy.stats.circstats import circvar

    places = grid_of_stars(SHAPE, 50, 9)
    rng = np.random.default_rng(9)
    angles = rng.normal(70, 12, len(places)) % 180
    picture = np.full(SHAPE, 0.0, np.float32)
    for place, angle in zip(places, angles, strict=True):
        picture += paint(
            SHAPE, gaussian(3.0, 1.5, angle), [place], 30000.0, sky=0, noise=0, half=15
        )
    picture += np.random.default_rng(1).normal(500, 5, SHAPE)
    numbers = measure_frame(as_frame(picture)).numbers
    doubled = np.deg2rad(2 * angles)
    axial_mean = np.rad2deg(float(circmean(doubled))) / 2 % 180
    assert numbers["angle_deg"] == pytest.approx(axial_mean, abs=2.0)
    assert numbers["angle_coherence"] == pytest.approx(1 - float(circvar(doubled)), abs=0.03)


def test_mosaic_stars_keep_their_size():
    """The binomial mean of a mosaic adds 1/2 px^2 to the variance, which is taken out again."""
    places = grid_of_stars(SHAPE, 60, 3)
    picture = paint(SHAPE, gaussian(3.5), places, 80000.0, half=20)
    factor = np.ones(SHAPE)
    factor[0::2, 0::2], factor[1::2, 1::2] = 0.5, 0.6  # R and B of RGGB against G
    stars = find_stars(measure_background((picture * factor).astype(np.float32), "RGGB")).stars
    stars = stars[stars["shaped"]]
    assert len(stars) == len(places)
    assert median(stars, "fwhm_px") == pytest.approx(with_pixel(3.5), rel=0.02)
    assert median(stars, "hfr_px") == pytest.approx(with_pixel(3.5) / 2, rel=0.03)
    assert median(stars, "elongation") < 1.05


def test_large_frames_are_counted_through_windows():
    shape = (1800, 2400)
    places = grid_of_stars(shape, 60, 2)
    picture = paint(shape, gaussian(3.0), places, 20000.0, half=12)
    background = measure_background(picture)
    field = find_stars(background)
    assert len(background.windows) == 9
    assert background.sampled_share == pytest.approx(9 * 512**2 / (1800 * 2400), rel=0.01)
    assert field.count == pytest.approx(len(places), rel=0.1)
    shaped = field.stars[field.stars["shaped"]]
    assert median(shaped, "fwhm_px") == pytest.approx(3.076, rel=0.01)


def test_real_field_has_the_widths_photutils_finds(real_frames):
    from photutils.psf import fit_fwhm

    from classifier.frame import read_frame

    path = real_frames / "AstroHuntsman+huntsman-drp" / "science_0.fits"
    if not path.is_file():
        pytest.skip("that real frame is not there")
    frame = read_frame(path)
    background = measure_background(frame.pixels)
    stars = find_stars(background).stars
    stars = stars[stars["shaped"] & (stars["snr"] > 50)][:40]
    light = background.windows[0].light
    theirs = fit_fwhm(light, xypos=np.stack((stars["x"], stars["y"]), 1), fit_shape=9)
    assert np.median(stars["fwhm_px"]) == pytest.approx(np.median(theirs), rel=0.08)


def beside(places, apart_px, angles, seed):
    """As many places again for each angle, so far from the first, each turned its own way."""
    turn = np.random.default_rng(seed).uniform(0, 2 * np.pi, len(places))
    steps = [apart_px * np.c_[np.cos(turn + a), np.sin(turn + a)] for a in angles]
    return np.concatenate([places, *(places + step for step in steps)])


@pytest.mark.parametrize("apart_px", [11.0, 21.0])
def test_neighbours_do_not_make_bright_stars_coarse(apart_px):
    # The same bright stars alone and with two faint neighbours each, which blocks of 4 x 4 pixels
    # join to them: the stars are as wide as they were.
    places = grid_of_stars(SHAPE, 70, seed=3)
    together = beside(places, apart_px, (0.0, 2.2), seed=11)
    flux = np.repeat([1.5e5, 2.0e4, 1.2e4], len(places))
    found = [
        find_stars(measure_background(paint(SHAPE, moffat(3.0, 3.0), at, flux[: len(at)], half=30)))
        for at in (places, together)
    ]
    assert [field.bin_px for field in found] == [1, 1]
    widths = [median(field.stars[field.stars["shaped"]], "fwhm_px") for field in found]
    assert widths[1] == pytest.approx(widths[0], rel=0.02)


@pytest.mark.parametrize("apart_px", [11.0, 15.0])
def test_knots_of_stars_are_no_rings_fallen_to_pieces(apart_px):
    # Three stars side by side, which blocks of 4 x 4 pixels join to one: of its light the brightest
    # has half, as one piece of a wide ring may have, but is a point beside the whole.
    places = grid_of_stars(SHAPE, 70, seed=3)
    together = beside(places, apart_px, (0.0, 1.1), seed=12)
    flux = np.repeat([1.5e5, 9.0e4, 7.0e4], len(places))
    picture = paint(SHAPE, gaussian(2.5), together, flux, half=30)
    field = find_stars(measure_background(picture))
    assert field.bin_px == 1
    assert field.count == pytest.approx(3 * len(places), rel=0.02)
    # The Gaussian's own half-flux radius, half its width (C1), with the pixel.
    assert median(field.stars[field.stars["shaped"]], "hfr_px") == pytest.approx(
        with_pixel(2.5) / 2, rel=0.1
    )


@pytest.mark.parametrize("sigma_px", [12.0, 25.0])
def test_knots_of_a_nebula_do_not_make_stars_coarse(sigma_px):
    """A dozen wide knots are the brightest things in it; its stars are 2.5 px wide all the same."""
    places = grid_of_stars((600, 800), 40, seed=3)
    rng = np.random.default_rng(6)
    fluxes = 1500 * (1 + rng.pareto(1.5, len(places))).clip(1, 8)
    picture = paint((600, 800), gaussian(2.5), places, fluxes, noise=4.0, seed=3)
    rows, columns = np.indices(picture.shape)
    for x, y in rng.uniform(80, [720, 520], (12, 2)):
        away2 = (columns - x) ** 2 + (rows - y) ** 2
        picture += (60 * np.exp(-0.5 * away2 / sigma_px**2)).astype(picture.dtype)
    field = find_stars(measure_background(picture))
    assert field.bin_px == 1
    assert median(field.stars[field.stars["shaped"]], "fwhm_px") == pytest.approx(2.5, rel=0.08)
    assert field.count > 0.7 * len(places)
