"""Light without a round edge on skies painted by hand; noise is Gaussian, from NumPy."""

import numpy as np
import pytest
from painted_sky import as_frame
from scipy import ndimage

from classifier.background import SkyPicture
from classifier.discs import find_discs
from classifier.measures import measure_frame
from classifier.other_light import other_light
from classifier.stars import STAR

SHAPE, NOISE, STEP_PX = (200, 280), 5.0, 3
FREE = np.ones(SHAPE, bool)
ROWS, COLUMNS = np.indices(SHAPE)


def sky(seed=0):
    return np.random.default_rng(seed).normal(0, NOISE, SHAPE).astype(np.float32)


def picture_of(flat):
    level = (1000 + flat).astype(np.float32)
    return SkyPicture(level, np.ones(SHAPE, bool), STEP_PX, level, 1, 0, 0, NOISE)


def arc(width, radius=90.0):
    """A quarter of a ring about (60, 40), so many cells wide."""
    x, y = COLUMNS - 60, ROWS - 40
    return (np.abs(np.hypot(x, y) - radius) < width / 2) & (x > 0) & (y > 0)


def fan():
    """A wedge that opens from (140, 100) downward."""
    away = ROWS - 100
    return (away > 0) & (np.abs(COLUMNS - 140) < 0.4 * away)


def found(flat, free=FREE):
    return other_light(flat, free, picture_of(flat))


@pytest.mark.parametrize("shape", [arc(10), fan()])
def test_an_arc_and_a_fan_are_found_where_they_lie(shape):
    (patch,) = found(sky() + 12.0 * shape)
    middle = ndimage.center_of_mass(shape)
    # A picture's cell is 3 px wide, its middle at pixel 1.
    assert np.hypot(patch.x - 1 - 3 * middle[1], patch.y - 1 - 3 * middle[0]) < 9
    assert patch.radius == pytest.approx(3 * np.sqrt(shape.sum() / np.pi), rel=0.2)
    assert patch.step_adu == pytest.approx(12.0, rel=0.1)
    assert not patch.has_edge


def test_noise_trails_stars_and_faint_light_are_none():
    assert not [patch for seed in range(12) for patch in found(sky(seed))]
    trail = np.abs(ROWS - 0.5 * COLUMNS - 20) < 1.5
    assert not found(sky() + 60.0 * trail)
    star = np.hypot(COLUMNS - 140, ROWS - 100) < 8
    assert not found(sky() + 500.0 * star, FREE & ~star)
    assert found(sky() + 500.0 * star)
    # Half of 7 standard errors of a mean over 25 cells.
    assert not found(sky() + 0.5 * 7 * NOISE / 5 * fan())


def test_they_are_bright_candidates_without_an_edge():
    flat = sky() + 15.0 * arc(10)
    surface = np.full(SHAPE, 1000, np.float32)
    _, bright, _ = find_discs(picture_of(flat), surface, np.zeros(0, STAR), 4.0, 3 * NOISE)
    assert bright
    assert not any(disc.has_edge for disc in bright)


@pytest.mark.parametrize(("light_adu", "state"), [(0.0, "no"), (60.0, "unknown")])
def test_no_reflection_is_denied_beside_an_arc(light_adu, state):
    shape = (600, 840)
    y, x = np.indices(shape)
    away = np.hypot(x - 180, y - 120)
    light = light_adu * ((np.abs(away - 270) < 18) & (x > 180) & (y > 120))
    pixels = np.random.default_rng(3).normal(1500 + light, 10.0, shape)
    facts = {"offset_adu": 500.0, "gain_e_adu": 1.0, "read_noise_e": 3.0}
    said = measure_frame(as_frame(pixels, **facts)).evidence["reflection"]
    assert said.state == state
    assert bool(said.perhaps) == (state == "unknown")
