"""Spikes of a bar against the Fourier optics of its pupil: |FFT of the pupil|^2 by NumPy."""

import numpy as np
import pytest
from barred_star import SIZE, image_of
from scipy import ndimage

from classifier.background import measure_background
from classifier.spike_evidence import diffraction_spikes
from classifier.spikes import Spikes, find_spikes
from classifier.star_rays import OddPair, odd_bar, odd_pair
from classifier.stars import find_stars


def found(frame):
    background = measure_background(frame)
    return odd_bar(odd_pair(background, find_stars(background, None).stars, 5.0))


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


def told(frame):
    background = measure_background(frame)
    stars = find_stars(background, None).stars
    return diffraction_spikes(
        find_spikes(background, stars, 5.0), odd_pair(background, stars, 5.0), True
    )


def test_the_brightest_star_alone_leaves_a_single_pair_open():
    evidence = told(image_of([77.0]))
    assert evidence.state == "unknown" and evidence.value > 4
    assert "two-vane spider" in evidence.note and "at 16" in evidence.note
    (place,) = evidence.where
    assert np.hypot(place[0] - 150, place[1] - 170) < 3  # where `image_of` puts it
    assert told(image_of([])).state == "no"


@pytest.mark.parametrize("vanes", [3, 4])
def test_a_bar_beside_regular_vanes_is_never_denied(vanes):
    assert told(image_of([], vanes=vanes)).state == "no"
    spoilt = told(image_of([60.0], vanes=vanes))
    assert spoilt.state != "no" and spoilt.value > 3


def test_what_the_brightest_star_adds_to_the_typical_one():
    """Sigma, where it lies and what the typical star shows of the telescope's own vanes."""
    none, vanes = Spikes((), (), 1.0, (), False), Spikes((20.0, 110.0), (9.0, 8.0), 9.0, (), False)
    cases = (
        (none, 0.0, np.nan, "no"),
        (none, 2.4, 60.0, "unknown"),
        (none, 7.0, 60.0, "unknown"),
        (vanes, 2.4, 60.0, "unknown"),
        (vanes, 7.0, 60.0, "yes"),
        (vanes, 7.0, 114.0, "no"),
        (None, 7.0, 60.0, "unknown"),
    )
    for spikes, sigma, deg, state in cases:
        evidence = diffraction_spikes(spikes, OddPair(sigma, deg, 10.0, 12.0), True)
        assert evidence.state == state
        assert evidence.value == (sigma if state != "no" else 0.0)
        assert evidence.where == ([[10.0, 12.0]] if state != "no" else [])
    assert diffraction_spikes(None, None, True).state == "unknown"
