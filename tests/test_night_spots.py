"""Dark spots of the sensor, on skies painted by hand: how deep they are told, and what is none."""

import numpy as np
import pytest
from scipy import ndimage

from classifier.night_spots import darkest_spot

SHAPE, COUNT, FLIP = (64, 85), 18, 9
NOISE = 0.01  # of a cell of one sub
Y, X = np.mgrid[: SHAPE[0], : SHAPE[1]]


def skies(depth=0.0, place=(30, 40), radius=4.0, stars=60, light=1.0, dark_cloud=0.0, seed=2):
    """(n, h, w): stars and a dark cloud of the field, which the flip turns, and a shadow that
    stays where it is; all dimmed by the factor `light` over the field."""
    rng = np.random.default_rng(seed)
    field = np.zeros(SHAPE)
    field[rng.integers(0, 64, stars), rng.integers(0, 85, stars)] = rng.pareto(1.5, stars)
    field = ndimage.gaussian_filter(field, 0.7)
    field -= dark_cloud * (np.hypot(X - 20, Y - 45) < 5)
    shadow = 1 - depth * (np.hypot(X - place[0], Y - place[1]) < radius)
    maps = []
    for i in range(COUNT):
        turned = field[::-1, ::-1] if i >= FLIP else field
        sky = (1 + turned) * shadow * light + rng.normal(0, NOISE, SHAPE)
        maps.append(sky - np.median(sky))
    return np.array(maps)


@pytest.mark.parametrize("depth, radius", [(0.05, 3.0), (0.08, 5.0), (0.2, 4.0)])
def test_a_shadow_is_as_deep_as_it_was_painted(depth, radius):
    spot = darkest_spot(skies(depth, radius=radius), FLIP)
    # A cell of the mean of nine subs has noise of a third of a percent; the mean over the side
    # that is least bright lies a little under the sky.
    assert spot.depth_pct == pytest.approx(100 * depth, rel=0.25)
    assert np.hypot(spot.x - 30, spot.y - 40) < 0.5 * radius + 1
    assert spot.sigma > 5.5


def test_a_shadow_that_the_frame_cuts_is_one():
    spot = darkest_spot(skies(0.1, place=(30, 1), radius=5.0), FLIP)
    assert spot.depth_pct == pytest.approx(10, rel=0.3) and spot.sigma > 5.5


def test_stars_hide_none():
    crowded = darkest_spot(skies(0.1, stars=200), FLIP)
    assert crowded.depth_pct == pytest.approx(10, rel=0.3)


def test_stars_dark_clouds_and_dark_corners_are_none():
    plain = darkest_spot(skies(), FLIP)
    assert plain.depth_pct < 2
    cloud = skies(dark_cloud=0.1)
    assert darkest_spot(cloud, FLIP).depth_pct < 2.5
    # Light falls off as the fourth power of the cosine (closed form): 30 degrees in the corners.
    tangent = np.tan(np.deg2rad(30)) / np.hypot(42.5, 32)
    corners = (1 + (tangent * np.hypot(X - 42, Y - 31.5)) ** 2) ** -2.0
    assert darkest_spot(skies(light=corners), FLIP).depth_pct < 2.5


def test_what_dithering_alone_moves_is_not_told_from_dust():
    # Without a flip the cloud stays where it is; `signs_of` gives it less weight.
    still = skies(dark_cloud=0.1)[:FLIP]
    assert darkest_spot(still, None).depth_pct > 5


def test_too_few_or_too_small():
    assert darkest_spot(skies(0.1)[:3], None) is None
    assert darkest_spot(skies(0.1)[:, :5, :5], None) is None
