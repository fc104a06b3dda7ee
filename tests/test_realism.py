"""Rendered against real: each statistic on frames where its value is known, and classifiers that
find nothing where there is nothing and everything where there is all."""

import json

import galsim
import numpy as np
import pytest
from astropy.io import fits
from graft_source import as_source, noisy, star_field
from small_model import write_small_model

from classifier.network import BRANCHES
from synth.stand_in import Source
from training.frame_statistics import (
    BANDS,
    RINGS,
    STATISTICS,
    count_slope,
    hot_tail,
    noise_spectrum,
    star_rings,
    statistics,
)
from training.realism import Set, compare, lines, one_number, realism, told_apart


def test_white_noise_is_white_and_a_blur_takes_what_it_takes():
    white = np.random.default_rng(1).normal(size=(512, 512))
    # A quarter of 64 tiles: the faintest band, 50 frequencies of them, scatters by 0.434 / 28.
    assert noise_spectrum(white, 1.0) == pytest.approx(np.zeros(len(BANDS) + 1), abs=0.06)
    # The mean of pixels and their right neighbours passes cos^2 (pi f) along rows only.
    blurred = (white + np.roll(white, 1, 1)) / 2**0.5
    found = noise_spectrum(blurred, 1.0)
    frequency = np.fft.fftfreq(64)
    radius = np.hypot(frequency[:, None], frequency[None])
    power = np.cos(np.pi * frequency[None]) ** 2 * np.ones((64, 1))
    wanted = [power[(radius >= low) & (radius < high)].mean() for low, high in BANDS]
    wanted = np.log10(wanted / power[radius > BANDS[0][0]].mean())
    assert found[:-1] == pytest.approx(wanted, abs=0.06)
    assert found[-1] < -0.2, "along rows there is less fine noise than along columns"


@pytest.mark.parametrize("beta", [2.5, 4.0])
def test_star_rings_are_those_of_a_moffat_star(beta):
    """Light within r of a Moffat star: 1 - (1 + r^2 / a^2)^(1 - beta) (Moffat 1969)."""
    fwhm = 5.0
    star = galsim.Moffat(beta=beta, fwhm=fwhm).drawImage(
        nx=121, ny=121, scale=1.0, method="no_pixel"
    )
    picture = np.tile(star.array.astype(float), (3, 3)) * 1e6 + 1000
    # The brightest pixel of the frame stands for saturation: one star brighter than the others.
    picture[:121, :121] += 9e5 * star.array
    source = Source(picture.astype(np.float32), fwhm, 1.0, offset_adu=0.0)
    scale = fwhm / (2 * (2 ** (1 / beta) - 1) ** 0.5)

    def within(radius_fwhm):
        return 1 - (1 + (radius_fwhm * fwhm / scale) ** 2) ** (1 - beta)

    wanted = [(within(high) - within(low)) / within(0.5) for low, high in RINGS]
    # The sky is taken beyond 4.5 FWHM, where the wings still are.
    assert star_rings(source, picture - 1000) == pytest.approx(wanted, rel=0.05, abs=0.02)


@pytest.mark.parametrize("slope", [0.3, 0.5])
def test_the_slope_of_the_counts_is_found(slope):
    rng = np.random.default_rng(2)
    light = np.full((900, 900), 100.0)
    places = [(x, y) for x in range(15, 890, 29) for y in range(15, 890, 29)]
    y, x = np.mgrid[-9:10, -9:10]
    for cx, cy in places:
        flux = 300 * (1 + rng.pareto(slope / 0.4))
        light[cy - 9 : cy + 10, cx - 9 : cx + 10] += (
            min(flux, 1e7) / 10.2 * np.exp(-(x**2 + y**2) / 3.25)
        )
    pixels = noisy(light)
    source = Source(pixels.astype(np.float32), 3.0, 1.0, offset_adu=0.0)
    # (1 + Pareto) of exponent a: N(>F) ~ F^-a. Some 150 stars are left: 8 %, three sigma 0.25.
    assert count_slope(source, pixels) == pytest.approx(slope, rel=0.25)


def test_lone_pixels_are_counted():
    source = as_source(noisy(star_field()))
    cold = hot_tail(source, source.pixels)
    pixels = source.pixels.copy()
    rng = np.random.default_rng(3)
    places = rng.choice(pixels.size, 60, replace=False)
    pixels.ravel()[places[:40]] += 15 * source.noise_adu
    pixels.ravel()[places[40:]] += 90 * source.noise_adu
    hot = hot_tail(source, pixels)
    assert cold[0] == pytest.approx(-6, abs=0.01)
    # A few fall beside each other or onto stars, or have a low neighbourhood.
    assert 10 ** hot[0] * pixels.size == pytest.approx(60, abs=8)
    assert hot[1] == pytest.approx(20 / 60, abs=0.1)


def test_a_mosaic_is_read_without_its_pattern():
    light = np.full((512, 512), 300.0)
    tinted = light * np.tile([[0.6, 1.0], [1.0, 0.5]], (256, 256))
    plain = statistics(noisy(light), True, 3.0)
    coloured = statistics(noisy(tinted), True, 3.0)
    spectrum = slice(0, len(BANDS) + 1)
    assert coloured[spectrum] == pytest.approx(np.zeros(len(BANDS) + 1), abs=0.12)
    # Not so where the mosaic is taken for a plain frame: its pattern is all there is.
    assert np.abs(statistics(noisy(tinted), False, 3.0)[spectrum]).max() > 0.5
    assert len(plain) == len(STATISTICS)


QUICK = {"trees": 20, "repeats": 1}


def groups(name: str, count: int = 80) -> np.ndarray:
    return np.array([f"{name} {i // 4}" for i in range(count)])


def test_two_draws_of_the_same_are_not_told_apart_and_shifted_ones_are():
    rng = np.random.default_rng(4)
    real, same = rng.normal(size=(2, 80, 12))
    real[3, 4] = np.nan
    for kind in told_apart(real, same, groups("real"), groups("rendered"), 1, **QUICK).values():
        # 80 against 80: an area scatters by 0.046 with nothing to find; three of them.
        assert kind["auc"] == pytest.approx(0.5, abs=0.14)
        assert kind["low"] < 0.5 < kind["high"] + 0.05
    shifted = same + 1.5
    told = told_apart(real, shifted, groups("real"), groups("rendered"), 1, **QUICK)
    # How far out knows no direction: 1.5 sigma in each of 12 numbers, 5.2 in all.
    assert min(kind["auc"] for kind in told.values()) > 0.93


def test_a_group_known_by_heart_does_not_count():
    """Frames of a group alike in something that has nothing to do with being rendered: a
    classifier that saw its neighbours would know them, one that did not cannot."""
    rng = np.random.default_rng(5)
    marks = np.repeat(rng.normal(size=(40, 12)), 4, 0) + 0.01 * rng.normal(size=(160, 12))
    told = told_apart(marks[:80], marks[80:], groups("real"), groups("rendered"), 1, **QUICK)
    # 20 groups against 20: 0.09 a sigma.
    assert told["forest"]["auc"] < 0.75


def test_a_new_rig_far_from_all_renderings_lies_out():
    """Eight real groups, each unlike the others and far from the rendered ones: learning from the
    other seven does not help, distance does."""
    rng = np.random.default_rng(7)
    away = rng.normal(size=(8, 12))
    away = 9 * away / np.linalg.norm(away, axis=1)[:, None]
    real = np.repeat(away, 5, 0) + rng.normal(size=(40, 12))
    rendered = rng.normal(size=(80, 12))
    real_group = np.array([f"real {i // 5}" for i in range(40)])
    told = told_apart(real, rendered, real_group, groups("rendered"), 1, **QUICK)
    assert told["outlying"]["auc"] > 0.97


def test_one_number_in_pairs():
    row = one_number(np.array([0.0, 1.0, 2.0]), np.array([1.0, 3.0, np.nan]))
    # Of six pairs the rendered is larger in 1 > 0 and thrice with 3, equal in one.
    assert row["rendered_is_larger"] == pytest.approx((4 + 0.5) / 6)
    assert row["real"] == 1
    assert row["rendered"] == 2


def test_sets_are_compared_in_all_views():
    rng = np.random.default_rng(6)

    def made(name, offset):
        sizes = (len(STATISTICS), 7, 9)
        values = [rng.normal(offset, 1, (80, n)) for n in sizes]
        # One branch alone, the stack, sees no difference.
        branches = [rng.normal(0 if b == "stack" else offset, 1, (80, 5)) for b in BRANCHES]
        return Set(*values, groups(name), tuple(branches))

    figures = compare(made("real", 0), made("rendered", 2), 1, **QUICK) | {"sources": 20}
    for name in ("statistics", "facts", "features"):
        assert figures["classifiers"][name]["linear"]["auc"] > 0.97
    # As above: 20 groups against 20, three of 0.046.
    assert figures["classifiers"]["branch stack"]["linear"]["auc"] == pytest.approx(0.5, abs=0.14)
    assert figures["classifiers"]["branch tiles"]["linear"]["auc"] > 0.97
    assert figures["statistics"]["count_slope"]["rendered_is_larger"] > 0.85
    assert len(lines(figures)) == 2 + len(STATISTICS) + 9 + len(BRANCHES)


def test_a_folder_is_compared_with_its_renderings(tmp_path):
    for number in range(5):
        pixels = as_source(noisy(star_field(number, (160, 160)), number)).pixels
        (tmp_path / "subs" / f"g{number}").mkdir(parents=True)
        hdu = fits.PrimaryHDU(pixels.astype(np.uint16))
        hdu.header["EGAIN"] = 1.5
        hdu.writeto(tmp_path / "subs" / f"g{number}" / "a.fits")
    model = write_small_model(tmp_path / "small")
    figures = realism(
        tmp_path / "subs", model, windows=2, renderings=1, out=tmp_path / "realism.json"
    )
    written = json.loads((tmp_path / "realism.json").read_text())
    assert written["schema"] == "nightcull/realism-1"
    assert figures["real_frames"] == 10
    assert figures["rendered_frames"] == 10
    for kinds in written["classifiers"].values():
        for row in kinds.values():
            assert 0 <= row["low"] <= row["auc"] <= row["high"] <= 1
