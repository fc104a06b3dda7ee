"""Discs that come back through a run, on skies painted by hand."""

import numpy as np
import pytest
from scipy import ndimage

from classifier.night_ghost import ghost_step_pct

SHAPE, COUNT, FLIP = (64, 85), 18, 9


def skies(
    step=0.0, radius=9.0, soft=0.6, stars=40, seed=2, glare=0.0, after=(52, 24), seen=lambda i: True
):
    """(n, h, w) of 1 % noise with stars of the same field, turned by the flip, and a disc in the
    subs `seen`, `after` the flip at that place; glare: light, 5 cells from it, of a bright star 13
    cells beside the disc's middle."""
    rng = np.random.default_rng(seed)
    field = np.zeros(SHAPE)
    field[rng.integers(0, 64, stars), rng.integers(0, 85, stars)] = rng.pareto(1.5, stars)
    field = ndimage.gaussian_filter(field, 0.7)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    maps = []
    for i in range(COUNT):
        turned = i >= FLIP
        cx, cy = after if turned else (30, 38)
        dx, dy = rng.uniform(-0.8, 0.8, 2)
        away = np.hypot(x - cx - dx, y - cy - dy)
        lit = step / (1 + np.exp(np.clip((away - radius) / soft, -50, 50)))
        sky = (field[::-1, ::-1] if turned else field) + rng.normal(0, 0.01, SHAPE)
        sx, sy = (cx - 12, cy - 5) if turned else (cx + 12, cy + 5)
        # Wings of a star fall as r^-3 or so (King 1971; the exponent from memory).
        sky = sky + glare * 125 / (1 + np.hypot(x - sx - dx, y - sy - dy)) ** 3
        maps.append(sky + (lit if seen(i) else 0))
    return np.array(maps)


@pytest.mark.parametrize("step, radius", [(0.08, 9.0), (0.06, 8.0), (0.15, 12.0)])
def test_a_disc_stands_as_high_as_it_was_painted(step, radius):
    assert ghost_step_pct(skies(step, radius), FLIP) == pytest.approx(100 * step, rel=0.35)


def test_fainter_than_a_single_sub_shows():
    # 3 % beside 1 % of noise in a cell and stars of many times that.
    assert ghost_step_pct(skies(0.03, 10.0), FLIP) == pytest.approx(3.0, rel=0.4)


@pytest.mark.parametrize("glare", [0.3, 1.0])
def test_in_the_glare_of_its_star(glare):
    # Part of the disc lies under the star, whose glare takes some of its light away.
    assert ghost_step_pct(skies(0.2, 9.0, glare=glare), FLIP) == pytest.approx(20, rel=0.35)
    assert ghost_step_pct(skies(glare=glare), FLIP) == 0


def test_stars_and_a_nebula_are_none():
    assert ghost_step_pct(skies(), FLIP) == 0
    assert ghost_step_pct(skies(0.15, 9.0, soft=4.0), FLIP) == 0


def test_a_ghost_beside_its_star_does_not_turn_with_the_field():
    # The star stands at (40, 34) and after the flip at (42, 27), half a turn about (41, 30.5)
    # further; what the tube leads 10 cells to its left and 4 down stays there.
    assert ghost_step_pct(skies(0.08, after=(32, 31)), FLIP) == pytest.approx(8.0, rel=0.35)


def test_a_disc_that_comes_and_goes_is_none():
    assert ghost_step_pct(skies(0.08, seen=lambda i: i in (1, 4, 7, 10, 13, 16)), FLIP) == 0


def test_too_few_or_too_small():
    assert ghost_step_pct(skies(0.1)[:4], None) == 0
    assert ghost_step_pct(skies(0.1)[:, :16, :16], None) == 0
