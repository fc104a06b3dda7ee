"""Spikes of a bar against the Fourier optics of its pupil: |FFT of the pupil|^2 by NumPy.

A bar across the pupil spreads light at right angles to itself, both ways alike (Fraunhofer; the
Fourier transform of a real pupil is symmetric).
"""

import numpy as np
import pytest
from scipy import ndimage

from classifier.background import measure_background
from classifier.star_rays import odd_bar
from classifier.stars import find_stars

SIZE, FINE = 320, 1024


def image_of(bars, vanes=0, seed=1, place=(150.0, 170.0)):
    """A bright star, its pupil crossed by bars (direction deg) and vanes, among faint ones."""
    y, x = np.mgrid[:FINE, :FINE] - FINE // 2
    radius = 0.25 * FINE / 2
    pupil = (np.hypot(x, y) < radius).astype(float)
    for deg, width, is_half in [
        *((bar, 0.03, False) for bar in bars),
        *((20.0 + 360.0 * k / vanes, 0.03, True) for k in range(vanes)),
    ]:
        c, s = np.cos(np.deg2rad(deg)), np.sin(np.deg2rad(deg))
        hit = np.abs(y * c - x * s) < width * radius
        pupil[hit & ((x * c + y * s > 0) | (not is_half))] = 0
    light = np.abs(np.fft.fftshift(np.fft.fft2(np.fft.ifftshift(pupil)))) ** 2
    star = ndimage.gaussian_filter(light / light.sum(), 2.0)
    rng = np.random.default_rng(seed)
    column, row = round(place[0]), round(place[1])
    top, left = FINE // 2 - row, FINE // 2 - column
    frame = 4e6 * star[top : top + SIZE, left : left + SIZE]
    near = ndimage.gaussian_filter(_points(rng), 2.0)
    return (frame + near + 500 + rng.normal(0, 12, frame.shape)).astype(np.float32)


def _points(rng):
    points = np.zeros((SIZE, SIZE))
    xs, ys = rng.integers(0, SIZE, (2, 60))
    points[ys, xs] = rng.uniform(5e3, 6e4, 60)
    return points


def found(frame):
    background = measure_background(frame)
    return odd_bar(background, find_stars(background, None).stars, 5.0)


@pytest.mark.parametrize("bar", [10.0, 77.0, 140.0])
def test_a_bar_sends_light_at_right_angles_to_itself(bar):
    answer = found(image_of([bar]))
    away = abs((answer["odd_deg"] - bar - 90 + 90) % 180 - 90)
    assert away <= 4.0  # two steps of the search
    assert answer["odd_sigma"] > 4


def test_near_the_edge_too():
    answer = found(image_of([77.0], place=(264.0, 150.0)))
    assert abs(answer["odd_deg"] - 167.0) <= 4.0


@pytest.mark.parametrize("vanes", [0, 3, 4])
def test_a_telescope_of_regular_vanes_has_no_odd_bar(vanes):
    answer = found(image_of([], vanes=vanes))
    assert answer["odd_sigma"] == 0 and "odd_deg" not in answer


def test_a_cross_that_the_frame_cuts_off_is_of_vanes():
    # Two bars at right angles; with the star 30 px below the edge one spike of the second is cut.
    answer = found(image_of([0.0, 90.0], place=(150.0, 22.0)))
    assert answer["odd_sigma"] == 0


@pytest.mark.parametrize("vanes", [3, 4])
def test_a_bar_beside_regular_vanes(vanes):
    answer = found(image_of([60.0], vanes=vanes))
    assert abs(answer["odd_deg"] - 150.0) <= 4.0


def test_a_star_beside_is_no_bar():
    frame = image_of([])
    for away in (28, 36, 44):
        frame += 3e4 * ndimage.gaussian_filter(_one(150 + away, 170), 2.0).astype(np.float32)
    assert found(frame)["odd_sigma"] == 0


def _one(x, y):
    point = np.zeros((SIZE, SIZE))
    point[y, x] = 1.0
    return point


def test_without_a_bright_star_nothing_is_said():
    frame = np.random.default_rng(3).normal(500, 12, (SIZE, SIZE)).astype(np.float32)
    assert found(frame) == {}
