"""Short trails: thin pieces painted into noise are found where they lie, and nothing else is."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import ndimage

from classifier.short_trails import EVERYWHERE, _boxes, short_trails
from classifier.star_evidence import trail
from classifier.trails import Trail, _is_drawn_out

SHAPE = (300, 420)


def sky(seed: int, stars: int = 120) -> np.ndarray:
    """Unit noise with round stars of Gaussian sigma 1."""
    rng = np.random.default_rng(seed)
    picture = rng.normal(0, 1, SHAPE)
    y, x = np.indices(SHAPE)
    for _ in range(stars):
        x0, y0 = rng.uniform(0, SHAPE[1]), rng.uniform(0, SHAPE[0])
        near = np.s_[max(0, int(y0) - 6) : int(y0) + 7, max(0, int(x0) - 6) : int(x0) + 7]
        away2 = (x[near] - x0) ** 2 + (y[near] - y0) ** 2
        picture[near] += rng.uniform(5, 100) * np.exp(-0.5 * away2)
    return picture


def streak(ends, height: float, section: float = 0.9) -> np.ndarray:
    """An even line of Gaussian section between two points."""
    x0, y0, x1, y1 = ends
    length = math.dist(ends[:2], ends[2:])
    y, x = np.indices(SHAPE)
    along = ((x - x0) * (x1 - x0) + (y - y0) * (y1 - y0)) / length
    off = ((x - x0) * (y1 - y0) - (y - y0) * (x1 - x0)) / length
    return height * np.exp(-0.5 * (off / section) ** 2) * ((along >= 0) & (along <= length))


@pytest.mark.parametrize("ends", [(60, 50, 85, 64), (300, 200, 300.5, 224), (200, 40, 180, 60)])
@pytest.mark.parametrize("height", [8.0, 40.0])
def test_a_streak_is_found_where_it_lies(ends, height):
    for seed in range(4):
        found = short_trails(sky(seed, stars=0) + streak(ends, height))
        assert len(found) == 1
        # Either end may come first.
        first, last = found[0].ends[:2], found[0].ends[2:]
        if math.dist(first, ends[:2]) > math.dist(last, ends[:2]):
            first, last = last, first
        assert math.dist(first, ends[:2]) < 2.5 and math.dist(last, ends[2:]) < 2.5
        # An even line of n cells lit at their mean has the S/N mean x sqrt(n): by definition, and
        # no more than the matched filter's A sqrt(L s sqrt(pi)).
        best = height * math.sqrt(math.dist(ends[:2], ends[2:]) * 0.9 * math.sqrt(math.pi))
        assert 0.6 * best < found[0].snr < 1.1 * best


def test_among_stars():
    found = 0
    for seed in range(10):
        pieces = short_trails(sky(seed) + streak((150, 120, 180, 141), 12.0))
        found += any(math.dist(p.ends[:2] / 2 + p.ends[2:] / 2, (165, 130.5)) < 4 for p in pieces)
    # Now and then a star lies on it and makes a knot of it.
    assert found >= 8


def test_what_is_no_trail():
    y, x = np.indices(SHAPE)
    ring = 10.0 * (np.abs(np.hypot(x - 200, y - 150) - 40) < 1.2)
    part = ring * (np.abs(np.arctan2(y - 150, x - 200)) < 0.4)
    knot = 60.0 * np.exp(-0.5 * np.hypot(x - 200, y - 150) ** 2 / 9)
    spike = streak((170, 150, 230, 150.4), 12.0) + knot
    spindle = 30.0 * np.exp(-0.5 * (((x - 200) / 9.0) ** 2 + ((y - 150) / 2.2) ** 2))
    for seed in range(5):
        for nothing in (0.0, part, spike, spindle):
            assert short_trails(sky(seed) + nothing) == []


def test_stars_drawn_out_are_all_alike():
    places = [(30 + 60 * i, 40 + 35 * i) for i in range(6)]
    drawn_out = sum(streak((x, y, x + 26, y + 9), 12.0) for x, y in places)
    for seed in range(3):
        assert short_trails(sky(seed, stars=200) + drawn_out) == []
    alone = streak((150, 130, 176, 139), 12.0)
    assert sum(len(short_trails(sky(seed, stars=200) + alone)) for seed in range(5)) >= 4


def test_boxes_are_those_of_scipys_find_objects():
    lit = np.random.default_rng(3).random((60, 90)) < 0.15
    number, count = ndimage.label(lit, EVERYWHERE)
    expected = [
        (rows.start, columns.start, rows.stop, columns.stop)
        for rows, columns in ndimage.find_objects(number)
    ]
    np.testing.assert_array_equal(_boxes(number, lit, count), expected)


def test_a_star_that_touches_a_streak_does_not_bend_it():
    # Beside its end and as wide again as the streak: a fit to all of it together bends.
    y, x = np.indices(SHAPE)
    for seed in range(4):
        line = streak((100, 120, 160, 123), 30.0)
        star = 300 * np.exp(-0.5 * ((x - 145) ** 2 + (y - 125.5) ** 2) / 1.5**2)
        found = short_trails(sky(seed, stars=0) + line + star)
        assert len(found) == 1 and found[0].length == pytest.approx(60, abs=4)


def test_a_line_is_a_short_trail_drawn_out_where_its_other_parts_add_nothing():
    line = Trail((0.0, 300.0, 900.0, 330.0), 11.0, 0.75, 0.1, 4.0, 12.0, False)
    piece = replace(line, ends=(300.0, 310.0, 450.0, 315.0), snr=88.0)
    aside = replace(piece, ends=(300.0, 410.0, 450.0, 415.0))
    # As long lines are taken the piece alone has 14 where the whole has 11; with 9 the rest is lit.
    assert _is_drawn_out(line, piece, 14.0, step=3)
    assert not _is_drawn_out(line, piece, 9.0, step=3)
    assert not _is_drawn_out(line, aside, 14.0, step=3)


def test_an_unmistakable_trail_is_bright_unbroken_slender_and_askew():
    plain = Trail((100.0, 100.0, 160.0, 140.0), 20.0, 1.0, 0.1, 4.0, 12.0, False)
    assert plain.is_unmistakable
    others = {
        "faint": replace(plain, snr=14.0),
        "broken": replace(plain, lit=0.875),
        "stars run together": replace(plain, width_px=7.0),
        "along a column": replace(plain, ends=(100.0, 100.0, 102.0, 700.0)),
        "an edge": replace(plain, one_sided=0.5),
    }
    assert {name for name, other in others.items() if other.is_unmistakable} == set()


def test_the_evidence_on_such_a_trail_is_sure():
    plain = Trail((100.0, 100.0, 160.0, 140.0), 20.0, 1.0, 0.1, 4.0, 12.0, False)
    assert trail([plain], 200.0).sure
    assert not trail([replace(plain, snr=9.0)], 200.0).sure
    # Where the stars themselves are lines it is one of them.
    assert not trail([plain], 200.0, elongation=6.0).sure
