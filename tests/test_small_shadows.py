"""Small shadows on skies painted by hand: what is found is held against what was painted.

Noise is Gaussian, so that the tails of a filter's output are those of the normal distribution.
"""

import numpy as np
import pytest
from painted_sky import as_frame
from scipy import ndimage

from classifier.background import SkyPicture
from classifier.disc import Disc
from classifier.discs import find_discs
from classifier.measures import measure_frame
from classifier.small_shadows import out_of_the_near, small_shadows, stands_out
from classifier.stars import STAR

SHAPE, NOISE, STEP_PX = (200, 280), 5.0, 3


def sky(seed=0):
    return np.random.default_rng(seed).normal(0, NOISE, SHAPE).astype(np.float32)


def shadow(x, y, radius, depth, hole=0.0):
    """A dark disc or ring, its edges a cell wide."""
    rows, columns = np.indices(SHAPE)
    away = np.hypot(columns - x, rows - y)
    return -depth * np.clip(radius + 0.5 - away, 0, 1) * np.clip(away - hole + 0.5, 0, 1)


def picture_of(flat):
    level = (1000 + flat).astype(np.float32)
    return SkyPicture(level, np.ones(SHAPE, bool), STEP_PX, level, 1, 0, 0, NOISE)


def edged(flat, smallest=2.5):
    calm = ndimage.median_filter(flat, 3).astype(np.float32)
    return [disc for disc in small_shadows(calm, smallest, picture_of(flat))[0] if disc.has_edge]


@pytest.mark.parametrize("x, y", [(90.0, 70.0), (90.5, 70.4), (201.3, 33.7)])
@pytest.mark.parametrize("radius", [2.7, 3.2, 4.0, 5.5, 7.8])
def test_a_shadow_is_placed_to_a_part_of_a_cell(x, y, radius):
    found = max(edged(sky() + shadow(x, y, radius, 25.0)), key=lambda disc: disc.snr)
    assert np.hypot(found.x - 1 - STEP_PX * x, found.y - 1 - STEP_PX * y) < 0.6 * STEP_PX
    assert found.radius == pytest.approx(STEP_PX * radius, rel=0.25)
    # A median over 3 x 3 cells takes part of the smallest.
    assert found.step_adu == pytest.approx(-25, rel=0.35)


def test_noise_casts_no_shadow():
    assert not [disc for seed in range(12) for disc in edged(sky(seed))]


def test_a_peak_has_to_stand_out_of_what_lies_round_it():
    """20 over scatter of 1 is a find, 20 over scatter of 5 is what noise gives now and then."""
    columns = np.indices(SHAPE)[1]
    response = sky().astype(float) / NOISE * np.where(columns < 140, 5.0, 1.0)
    response[100, 60] = response[100, 220] = 20.0
    assert not stands_out(response, 100, 60, 4.0)
    assert stands_out(response, 100, 220, 4.0)


def test_of_shadows_found_by_their_edges_those_in_rough_sky_are_left_out():
    rough = np.where(np.indices(SHAPE)[1] < 140, 8.0, 1.0)
    flat = (sky() * rough + shadow(60, 100, 6, 12.0) + shadow(220, 100, 6, 12.0)).astype(np.float32)
    discs = [Disc(STEP_PX * x + 1, STEP_PX * 100 + 1, 18, -12, 20, True) for x in (60, 220)]
    assert out_of_the_near(flat, discs, picture_of(flat)) == discs[1:]
    assert out_of_the_near(flat, [], picture_of(flat)) == []


@pytest.mark.parametrize("fwhm_px", [2.5, 6.0, 11.0])
def test_wide_stars_hide_no_small_shadow(fwhm_px):
    flat = sky() + shadow(120, 90, 4.0, 40.0)
    surface = np.full(SHAPE, 1000, np.float32)
    dark, *_ = find_discs(picture_of(flat), surface, np.zeros(0, STAR), fwhm_px, 3 * NOISE)
    assert [round(disc.radius / STEP_PX / 4) for disc in dark if disc.has_edge] == [1]


@pytest.mark.parametrize("radius", [8.0, 11.0])
def test_a_soft_shadow_is_as_deep_as_near_its_middle(radius):
    """A mote as large as the beam above it: the light falls straight to the middle, its mean over
    the disc is a third of what is missing there (a cone's volume)."""
    rows, columns = np.indices(SHAPE)
    cone = -40.0 * np.clip(1 - np.hypot(columns - 140, rows - 100) / radius, 0, 1)
    calm = ndimage.median_filter(sky() + cone, 3).astype(np.float32)
    found = max(small_shadows(calm, 2.5, picture_of(cone))[0], key=lambda disc: disc.snr)
    assert np.hypot(found.x - 1 - STEP_PX * 140, found.y - 1 - STEP_PX * 100) < STEP_PX
    assert 2 / 3 * 40 < -found.step_adu < 40 + NOISE


def test_it_is_told_how_deep_a_shadow_has_to_be():
    """Seven times the error of the mean over a disc of five cells less that round it, of white
    noise; half as deep nothing is found, one and a half times as deep it is."""
    rows, columns = np.indices((21, 21)) - 10
    away = np.hypot(rows, columns)
    inside, around = (away <= 5).sum(), ((away > 5.75) & (away <= 8)).sum()
    calm = ndimage.median_filter(sky(), 3).astype(np.float32)
    _, least_adu = small_shadows(calm, 2.5, picture_of(calm))
    assert least_adu == pytest.approx(7 * NOISE * np.sqrt(1 / inside + 1 / around), rel=0.15)
    deep = [bool(edged(sky() + shadow(140, 100, 5, share * least_adu))) for share in (0.5, 1.5)]
    assert deep == [False, True]
    assert np.isnan(small_shadows(calm, 6.0, picture_of(calm))[1])


@pytest.mark.parametrize(("level_adu", "state"), [(60.0, "unknown"), (2000.0, "no")])
def test_without_a_shadow_only_a_sky_that_would_show_one_says_no(level_adu, state):
    """Noise of 10 ADU a pixel: a sky of 60 hides a shadow of 3 %, a sky of 2,000 does not."""
    pixels = np.random.default_rng(5).normal(500 + level_adu, 10.0, (600, 800))
    facts = {"offset_adu": 500.0, "gain_e_adu": 1.0, "read_noise_e": 3.0}
    dust = measure_frame(as_frame(pixels, **facts)).evidence["dust_motes"]
    assert dust.state == state
    assert ("lost in noise" in dust.note) == (state == "unknown")
