"""Stacks by formula against worked numbers, galsim's mixtures and Monte Carlo."""

import numpy as np
import pytest

from classifier.stacking import (
    Subs,
    contrast,
    covariances,
    depth_weights,
    detail_in_turn,
    detail_weights,
    noise_limit,
    noise_weights,
    stacked,
    stacked_in_turn,
)


def subs_of(noise, fwhm_px=3.0, elongation=1.0, angle_deg=0.0, exposure_s=60.0) -> Subs:
    noise = np.atleast_1d(np.asarray(noise, float))
    fill = [np.broadcast_to(v, noise.shape) for v in (fwhm_px, elongation, angle_deg)]
    return Subs(noise, covariances(*fill), np.full(noise.shape, exposure_s))


def test_covariance_of_a_drawn_star():
    """Variances 4 and 1 px^2 along and across: elongation 2, and by the moments' definition
    FWHM = 2 sqrt(ln 2 (a^2 + b^2)) (photutils' SourceCatalog documents the same form)."""
    fwhm = 2 * np.sqrt(np.log(2) * 5.0)
    along_x, along_y = covariances(np.array([fwhm, fwhm]), np.full(2, 2.0), np.array([0.0, 90.0]))
    assert along_x == pytest.approx(np.diag([4.0, 1.0]), abs=1e-12)
    assert along_y == pytest.approx(np.diag([1.0, 4.0]), abs=1e-12)
    (slanted,) = covariances(np.array([fwhm]), np.array([2.0]), np.array([45.0]))
    assert slanted == pytest.approx(np.array([[2.5, 1.5], [1.5, 2.5]]), abs=1e-12)


@pytest.mark.parametrize("count", [4, 100])
def test_noise_of_equal_subs_falls_with_the_root(count):
    """2 times less noise in 4 subs and 10 times less in 100; 0.75 and 2.5 mag for a faint star."""
    subs = subs_of(np.full(count, 5.0))
    stack, alone = stacked(subs, np.ones(count)), stacked(subs[np.array([0])], np.ones(1))
    assert stack.noise == pytest.approx(5.0 / count**0.5, rel=1e-12)
    assert stack.depth_mag - alone.depth_mag == pytest.approx(1.25 * np.log10(count), abs=1e-9)
    assert stack.exposure_s == 60.0 * count


@pytest.mark.parametrize(
    ("second", "weighted", "equal"),
    # Worked by hand: 1/sqrt(1 + 1/4) and sqrt(1 + 4)/2; 1/sqrt(1 + 1/2.25) and sqrt(3.25)/2.
    [(2.0, 0.894, 1.118), (1.5, 0.832, 0.901)],
)
def test_inverse_variance_weights(second, weighted, equal):
    subs = subs_of([1.0, second])
    assert stacked(subs, noise_weights(subs)).noise == pytest.approx(weighted, abs=5e-4)
    assert stacked(subs, np.ones(2)).noise == pytest.approx(equal, abs=5e-4)
    assert noise_weights(subs) == pytest.approx([1.0, 1 / second**2])


def test_no_other_weights_are_less_noisy_or_deeper():
    rng = np.random.default_rng(3)
    subs = subs_of(rng.uniform(1, 4, 12), rng.uniform(2, 6, 12), rng.uniform(1, 1.6, 12),
                   rng.uniform(0, 180, 12))  # fmt: skip
    quiet, deep = stacked(subs, noise_weights(subs)), stacked(subs, depth_weights(subs))
    assert quiet.noise == pytest.approx(np.sum(1 / subs.noise**2) ** -0.5, rel=1e-12)
    for weights in (noise_weights(subs), depth_weights(subs)):
        for _ in range(50):
            other = stacked(subs, weights * rng.uniform(0.8, 1.25, 12))
            assert other.noise >= quiet.noise and other.depth_mag <= deep.depth_mag
    assert deep.depth_mag > quiet.depth_mag + 0.01


@pytest.mark.parametrize("good", [1, 4, 50])
def test_one_more_sub_under_equal_weights(good):
    """It helps if its noise is below sqrt(2 + 1/n) of theirs: 1.732 for one, 1.414 for many."""
    limit = {1: 1.732, 4: 1.5, 50: 1.4213}[good]
    for ratio, helps in ((limit - 2e-3, True), (limit + 2e-3, False)):
        stacks = stacked_in_turn(subs_of([*np.ones(good), ratio]))
        assert bool(stacks[-1].noise < stacks[-2].noise) is helps
    assert noise_limit(good) == pytest.approx(limit, abs=1e-3)


def test_keeping_and_dropping_by_monte_carlo():
    """Six frames of white noise, the last 1.3 and 1.7 times as noisy: the mean of 40,000 pixels
    has a standard deviation known to 0.35 % (1 / sqrt(2 n)), and the rule's side of it shows."""
    rng = np.random.default_rng(8)
    for ratio, helps in ((1.3, True), (1.7, False)):
        frames = rng.normal(size=(6, 40_000)) * np.array([1, 1, 1, 1, 1, ratio])[:, None]
        whole, without = frames.mean(0).std(), frames[:5].mean(0).std()
        assert bool(whole < without) is helps
        assert whole == pytest.approx(stacked(subs_of([*np.ones(5), ratio]), np.ones(6)).noise,
                                      rel=0.015)  # fmt: skip


def test_widths_and_area_agree_with_galsim():
    """A weighted mixture of round stars: full width and noise-equivalent area by galsim."""
    galsim = pytest.importorskip("galsim")
    fwhm, weights = np.array([2.5, 4.0, 7.0]), np.array([0.5, 0.3, 0.2])
    star = galsim.Sum([galsim.Gaussian(fwhm=f, flux=w) for f, w in zip(fwhm, weights, strict=True)])
    stack = stacked(subs_of(np.ones(3), fwhm), weights)
    assert stack.fwhm_px == pytest.approx(star.calculateFWHM(), rel=1e-3)
    assert stack.elongation == pytest.approx(1.0, abs=1e-6)
    drawn = star.drawImage(nx=201, ny=201, scale=0.25, method="no_pixel").array
    area = 0.25**2 / np.sum(np.square(drawn, dtype=float))
    assert stack.area_px == pytest.approx(area, rel=2e-3)


def test_elongated_stars_along_different_axes_make_a_round_stack():
    subs = subs_of(np.ones(2), 4.0, 1.5, np.array([20.0, 110.0]))
    stack = stacked(subs, np.ones(2))
    assert stack.elongation == pytest.approx(1.0, abs=1e-6)
    one = stacked(subs[np.array([0])], np.ones(1))
    assert one.elongation == pytest.approx(1.5, rel=1e-6)
    # sqrt(along x across) of a Gaussian: 2.3548 sqrt(a b).
    a, b = np.sqrt(np.linalg.eigvalsh(subs.covariance[0]))
    assert one.fwhm_px == pytest.approx(2.3548200 * (a * b) ** 0.5, rel=1e-6)


def test_depth_by_monte_carlo():
    """Light of a star measured with the stack's own profile in noisy stacks: the scatter of
    4,000 measurements is known to 1.1 %, or 0.012 mag; four of that allowed."""
    rng = np.random.default_rng(4)
    noise, fwhm = np.array([1.0, 1.4, 2.0]), np.array([2.6, 3.0, 4.5])
    y, x = np.mgrid[-15:16, -15:16]
    sigma = fwhm / 2.35482
    profiles = [np.exp(-(x**2 + y**2) / (2 * s**2)) / (2 * np.pi * s**2) for s in sigma]
    weights = np.array([0.5, 0.3, 0.2])
    profile = np.tensordot(weights, np.array(profiles), 1)
    frames = rng.normal(size=(4000, 3, 31, 31)) * noise[:, None, None]
    sky = np.tensordot(frames, weights, axes=([1], [0]))
    scatter = (sky * profile).sum((1, 2)).std() / np.sum(profile**2)
    stack = stacked(subs_of(noise, fwhm), weights)
    assert stack.depth_mag == pytest.approx(-2.5 * np.log10(scatter), abs=0.05)


def test_contrast_is_the_transfer_function_of_the_star():
    """Against the Fourier transform that galsim gives: an elongated Gaussian, seen along x."""
    galsim = pytest.importorskip("galsim")
    a, b = 1.8, 1.2
    subs = subs_of(1.0, 2 * np.sqrt(np.log(2) * (a**2 + b**2)), a / b, 0.0)
    star = galsim.Gaussian(sigma=(a * b) ** 0.5).shear(q=b / a, beta=0 * galsim.degrees)
    seen = contrast(subs, 0.15)[0]
    expected = abs(star.kValue(2 * np.pi * 0.15, 0.0)), abs(star.kValue(0.0, 2 * np.pi * 0.15))
    assert seen[0] == pytest.approx(expected[0], rel=1e-6)
    assert seen[6] == pytest.approx(expected[1], rel=1e-6)


@pytest.mark.parametrize(("cycles", "limit"), [(0.5, 1.334), (0.75, 1.160)])
def test_widths_at_which_a_sub_stops_helping(cycles, limit):
    """Many good subs and one wide one of equal noise: contrast 1/2 is the limit, at a width ratio
    of sqrt(1 + ln 2 / (pi^2 cycles^2 / (4 ln 2)))."""
    assert limit == pytest.approx(
        (1 + np.log(2) / (np.pi**2 * cycles**2 / (4 * np.log(2)))) ** 0.5, abs=1e-3
    )
    for ratio, helps in ((limit - 0.01, True), (limit + 0.01, False)):
        subs = subs_of(np.ones(301), [*np.full(300, 3.0), 3.0 * ratio])
        score = detail_in_turn(subs, cycles / 3.0)
        assert bool(score[-1] > score[-2]) is helps


def test_width_at_which_a_sub_stops_helping_a_star():
    """Equal noise and many good subs: K12 = K11 / 2, so s2^2 = 3 s1^2, a ratio of 1.732."""
    for ratio, helps in ((1.71, True), (1.76, False)):
        stacks = stacked_in_turn(subs_of(np.ones(301), [*np.full(300, 3.0), 3.0 * ratio]))
        assert (stacks[-1].depth_mag > stacks[-2].depth_mag) is helps


def test_stacks_in_turn_are_stacks():
    rng = np.random.default_rng(2)
    subs = subs_of(rng.uniform(1, 3, 7), rng.uniform(2, 6, 7), 1.3, rng.uniform(0, 180, 7))
    for k, one in enumerate(stacked_in_turn(subs), 1):
        other = stacked(subs[np.arange(k)], np.ones(k))
        for name in ("noise", "area_px", "depth_mag", "fwhm_px", "elongation", "exposure_s"):
            assert getattr(one, name) == pytest.approx(getattr(other, name), rel=1e-9)


def test_detail_weights_prefer_sharp_subs():
    subs = subs_of([1.0, 1.0, 2.0], [3.0, 4.5, 3.0])
    weights = detail_weights(subs, 0.5 / 3.0)
    assert weights[0] == 1.0
    # exp(-0.8899 (1.5^2 - 1)) and 1/4.
    assert weights[1:] == pytest.approx([0.3288, 0.25], abs=1e-3)
