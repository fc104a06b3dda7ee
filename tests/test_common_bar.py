"""A bar told by the subs of a run together, against the Fourier optics of its pupil."""

import math

import numpy as np
import pytest
from barred_star import SIZE, image_of
from scipy import ndimage

from classifier.background import measure_background
from classifier.common_bar import NONE, common_bar, spike_rays
from classifier.stars import find_stars

SUBS = 8
FIRST, SECOND = (110.0, 120.0), (210.0, 205.0)


def rays_of(frame):
    background = measure_background(frame.astype(np.float32))
    return spike_rays(background, find_stars(background, None).stars, 5.0)


def told(bars=(), noise=12.0, beside_first=(), vanes=0):
    """What is told of a run of two bright stars of one tube; beside_first: light beside one of
    them."""
    level = image_of([]) * 0 + 500
    rng = np.random.default_rng(5)
    stars = image_of(bars, vanes, place=FIRST) + image_of(bars, vanes, seed=2, place=SECOND) - 1000
    for x, y in beside_first:
        point = np.zeros((SIZE, SIZE))
        point[y, x] = 2e5
        stars = stars + ndimage.gaussian_filter(point, 2.0)
    subs = [level + stars + rng.normal(0, noise, stars.shape) for _ in range(SUBS)]
    return common_bar(np.array([rays_of(sub) for sub in subs]))


@pytest.mark.parametrize("bar", [30.0, 77.0, 140.0])
def test_a_bar_is_told_at_right_angles_to_itself(bar):
    sigma, deg = told([bar])
    assert sigma > 6
    assert abs((deg - bar - 90 + 90) % 180 - 90) <= 2.0  # a step of the search


def test_four_degrees_beside_the_column_is_still_a_bar():
    # The charge of a full pixel runs along its column, 90 degrees, and nowhere else.
    sigma, deg = told([176.0])
    assert sigma > 6 and deg == pytest.approx(86.0, abs=1.4)


@pytest.mark.parametrize("vanes", [0, 3, 4])
def test_a_regular_tube_has_none(vanes):
    sigma, deg = told(vanes=vanes)
    assert sigma < 2.8 and (sigma > 0 or math.isnan(deg))


def test_what_lies_beside_one_star_alone_is_no_bar():
    # Light on both sides of the first star in one direction, along both rings.
    turn = math.radians(40.0)
    both = [
        (round(FIRST[0] + r * math.cos(turn)), round(FIRST[1] + r * math.sin(turn)))
        for r in (-50, -44, -38, -32, -26, 26, 32, 38, 44, 50)
    ]
    assert told(beside_first=both)[0] < 2.8


def test_noise_falls_with_the_number_of_subs():
    # A median of n has 1.25 / sqrt(n) of the noise of one (normal errors): the same spike in noise
    # stands out further in 16 subs than in 4.
    rng = np.random.default_rng(4)
    spike = np.zeros((2, 3, 90))
    spike[:, :, 20] = 1.0
    few, many = (
        np.median([common_bar(spike + rng.normal(0, 0.4, (n, 2, 3, 90)))[0] for _ in range(9)])
        for n in (4, 16)
    )
    assert 1.4 * few < many < 2.8 * few


@pytest.mark.parametrize("is_flipped", [True, False])
def test_a_star_at_the_edge_shows_the_other_side_after_a_flip(is_flipped):
    # Above half of the directions nothing is seen before the flip, below it nothing after it.
    rays = np.random.default_rng(8).normal(0, 0.1, (16, 2, 3, 90))
    rays[:, :, 1:, 30] += 1.0
    rays[:, :, 0, 15:45] = math.nan
    after = np.arange(16) >= (8 if is_flipped else 16)
    rays[~after, :, 2, 15:45] = math.nan
    rays[after, :, 1, 15:45] = math.nan
    sigma, deg = common_bar(rays)
    assert (sigma > 6) == is_flipped
    assert not is_flipped or deg == pytest.approx(60, abs=1.0)


def test_too_little_says_nothing():
    assert len(rays_of(np.random.default_rng(3).normal(500, 12, (SIZE, SIZE)))) == 0
    assert common_bar(np.zeros((2, 2, 3, 90)))[0] == 0
    assert spike_rays(measure_background(image_of([])), np.zeros(0), math.nan) is NONE


@pytest.mark.parametrize(("weak", "is_bar"), [(0.03, True), (0.3, False)])
def test_a_cross_is_one_though_neighbours_take_from_one_of_its_bars(weak, is_bar):
    # Three tenths of the other bar is little and in a run far above the noise.
    rays = np.random.default_rng(9).normal(0, 0.05, (16, 2, 3, 90))
    rays[..., 20] += 1.0
    rays[..., 65] += weak
    assert (common_bar(rays)[0] > 6) == is_bar


@pytest.mark.parametrize(("apart", "is_bar"), [(3, False), (12, True)])
def test_the_two_ways_of_a_spike_need_not_be_in_line(apart, is_bar):
    # A star's centre drawn aside by r, of spikes seen at R, bends them by 2 r / R.
    rays = np.random.default_rng(9).normal(0, 0.05, (16, 2, 3, 90))
    rays[..., 20] += 1.0
    rays[:, :, 1, 64] += 0.8
    rays[:, :, 2, 64 + apart] += 0.8
    assert (common_bar(rays)[0] > 6) == is_bar
