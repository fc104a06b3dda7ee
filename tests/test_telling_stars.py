"""The stars that show a fault, on painted fields in which it is known which do."""

import numpy as np
import pytest
from painted_sky import as_frame, gaussian, grid_of_stars, paint, ring

from classifier.measures import measure_frame
from classifier.telling_stars import MOST, STAR_FAULTS, shows, telling_stars
from classifier.vocabulary import KEYS

SHAPE = (480, 640)
HALF = SHAPE[1] / 2


def shapes_of(left, right, seed=1, odd=None):
    """Measured shapes of a field whose left half has one stamp and whose right half another;
    `odd`: a stamp for every ninth star anywhere."""
    rng = np.random.default_rng(seed)
    picture = np.zeros(SHAPE, np.float32)
    for number, place in enumerate(grid_of_stars(SHAPE, 44, seed)):
        stamp = left if place[0] < HALF else right
        if odd is not None and number % 9 == 4:
            stamp = odd
        picture += paint(SHAPE, stamp, [place], rng.uniform(3e4, 9e4), sky=0, noise=0, half=16)
    picture += rng.normal(500.0, 5.0, SHAPE)
    return measure_frame(as_frame(picture)).shapes


@pytest.mark.parametrize("key", ["drift", "vibration", "guiding_loss"])
@pytest.mark.parametrize("angle_deg", [0.0, 70.0])
def test_stretched_stars_of_one_side(key, angle_deg):
    shapes = shapes_of(gaussian(3.0), gaussian(3.0, 1.6, angle_deg))
    chosen = np.array(telling_stars(key, shapes, SHAPE))
    # At the border four of eight neighbours are round, which may turn the median either way.
    assert len(chosen) == MOST and chosen[:, 0].min() > HALF - 44
    shown = shows(key, shapes, SHAPE)
    right = shapes[:, 0] > HALF + 66
    assert shown[right].mean() > 0.95 and not shown[shapes[:, 0] < HALF - 22].any()


def test_odd_star_among_round_ones_shows_no_drift():
    # Every ninth star is stretched, as a close pair would be; alone it says nothing of tracking.
    shapes = shapes_of(gaussian(3.0), gaussian(3.0), odd=gaussian(3.0, 2.0, 30.0))
    elongated = np.hypot(shapes[:, 4], shapes[:, 5]) > 0.3
    assert elongated.sum() >= 10
    assert telling_stars("drift", shapes, SHAPE) == []
    # Nor does one that is stretched across the others.
    shapes = shapes_of(
        gaussian(3.0, 1.6, 0.0), gaussian(3.0, 1.6, 0.0), odd=gaussian(3.0, 1.6, 90.0)
    )
    shown = shows("drift", shapes, SHAPE)
    across = shapes[:, 4] < 0
    assert across.sum() >= 10 and not shown[across].any() and shown[~across].mean() > 0.95


@pytest.mark.parametrize("key", ["defocus", "bloated_stars"])
def test_wide_stars_of_one_side(key):
    wide = ring(11.0) if key == "defocus" else gaussian(5.5)
    shapes = shapes_of(wide, gaussian(3.0))
    chosen = np.array(telling_stars(key, shapes, SHAPE))
    assert len(chosen) == MOST and chosen[:, 0].max() < HALF + 44
    even = shapes_of(wide, wide)
    assert len(telling_stars(key, even, SHAPE)) == MOST


def test_lopsided_stars_are_looked_for_in_the_middle():
    shapes = shapes_of(gaussian(3.0), gaussian(3.0))
    chosen = np.array(telling_stars("miscollimation", shapes, SHAPE))
    # A quarter of the diagonal of 800 px.
    assert np.hypot(chosen[:, 0] - 319.5, chosen[:, 1] - 239.5).max() < 200.0


def test_brightest_first_and_none_for_other_faults():
    shapes = shapes_of(gaussian(3.0, 1.6, 10.0), gaussian(3.0, 1.6, 10.0))
    chosen = telling_stars("drift", shapes, SHAPE)
    places = [[round(float(v), 1) for v in row[:2]] for row in shapes]
    order = [places.index(star) for star in chosen]
    assert order == sorted(order) and len(order) == MOST
    for key in set(KEYS) - set(STAR_FAULTS):
        assert telling_stars(key, shapes, SHAPE) == []
    assert telling_stars("drift", shapes[:5], SHAPE) == []
    assert telling_stars("drift", np.zeros((0, 6), np.float32), SHAPE) == []
