"""A found line laid where its light is, against painted lines whose place is known."""

import math

import numpy as np
import pytest

from classifier.line_fit import FinePicture, fit_line

SHAPE = (300, 420)
STEP = 2
SECTION = 1.3


def painted(ends, snr, seed=0, section=SECTION, lit=None):
    """Unit noise and a line of Gaussian section between two points; `lit`: share of a period of
    40 px that it shines. S/N = A sqrt(L s sqrt(pi)), A^2 L being the integral along the line."""
    x0, y0, x1, y1 = ends
    length = math.hypot(x1 - x0, y1 - y0)
    y, x = np.indices(SHAPE)
    along = ((x - x0) * (x1 - x0) + (y - y0) * (y1 - y0)) / length
    off = ((x - x0) * (y1 - y0) - (y - y0) * (x1 - x0)) / length
    height = snr / math.sqrt(length * (lit or 1.0) * section * math.sqrt(math.pi))
    light = height * np.exp(-0.5 * (off / section) ** 2) * ((along >= 0) & (along <= length))
    if lit:
        light = light * (along % 40 < 40 * lit)
    noise = np.random.default_rng(seed).normal(0, 1, SHAPE)
    covered = np.zeros((SHAPE[0] // STEP, SHAPE[1] // STEP), bool)
    return FinePicture((noise + light).astype(np.float32), covered, STEP)


def aside(found, truth):
    """Largest distance of the truth's ends from the found line, to the side."""
    x0, y0, x1, y1 = found
    length = math.hypot(x1 - x0, y1 - y0)
    return max(
        abs((x - x0) * (y1 - y0) - (y - y0) * (x1 - x0)) / length for x, y in (truth[:2], truth[2:])
    )


def ends_off(found, truth):
    """How far each found end lies from the true one along the line."""
    step = np.subtract(truth[2:], truth[:2]) / math.dist(truth[:2], truth[2:])
    return [abs(float((np.array(found[k : k + 2]) - truth[k : k + 2]) @ step)) for k in (0, 2)]


LINES = [(0, 40, 419, 190), (60, 0, 150, 299), (30, 260, 400, 60), (211.3, 0, 211.3, 299)]


@pytest.mark.parametrize("truth", LINES)
@pytest.mark.parametrize("snr", [15.0, 60.0])
def test_line_moves_onto_its_light(truth, snr):
    # The search leaves a digital line of up to 2 cells aside and 2 cells askew.
    x0, y0, x1, y1 = truth
    length = math.dist(truth[:2], truth[2:])
    nx, ny = -(y1 - y0) / length, (x1 - x0) / length
    for seed, (first, last) in enumerate([(3.0, 3.0), (-3.0, 2.0), (0.0, -4.0)]):
        start = [x0 + first * nx, y0 + first * ny, x1 + last * nx, y1 + last * ny]
        found = fit_line(painted(truth, snr, seed), np.array(start), SECTION)
        # A matched filter places a Gaussian of section s to sqrt(2) s / (S/N), and the end of a
        # line whose tilt is fitted too to twice that; three of these and a quarter of a pixel, as
        # every other of the places tried is closer.
        assert aside(found, truth) < 3 * 2 * math.sqrt(2) * SECTION / snr + 0.25


def test_ends_shrink_to_a_short_trail_and_grow_along_a_long_one():
    short = (150.0, 120.0, 290.0, 200.0)
    strip = np.array([80.0, 80.0, 360.0, 240.0])  # twice as long as what shines
    found = fit_line(painted(short, 40.0), strip, SECTION)
    # Parts are a 32nd of twice the line, 9 px at first; at an even line 15 % more are let in.
    assert max(ends_off(found, short)) < 0.15 * 161 + 9
    assert aside(found, short) < 1.0
    long = (0.0, 60.0, 419.0, 210.0)
    quarter = np.array([150.0, 113.7, 255.0, 151.3])
    found = fit_line(painted(long, 40.0), quarter, SECTION)
    assert max(ends_off(found, long)) < 0.15 * 445
    assert aside(found, long) < 1.0


def test_dark_between_flashes_belongs_to_the_trail():
    truth = (20.0, 30.0, 400.0, 250.0)
    found = fit_line(painted(truth, 60.0, lit=0.4), np.array(truth), SECTION)
    assert max(ends_off(found, truth)) < 0.15 * 439 and aside(found, truth) < 1.0


def test_no_line_is_cut_down_to_a_star():
    truth = (20.0, 150.0, 400.0, 160.0)
    picture = painted(truth, 12.0)
    y, x = np.indices(SHAPE)
    star = 4.0 * np.exp(-((x - 300) ** 2 + (y - 157) ** 2) / 50.0)
    picture = FinePicture(np.clip(picture.light + star, -4, 4), picture.covered, STEP)
    found = fit_line(picture, np.array(truth), SECTION)
    assert math.dist(found[:2], found[2:]) > 0.45 * math.dist(truth[:2], truth[2:]) - 1e-6
    # Covered, it draws nothing.
    covered = picture.covered.copy()
    covered[65:92, 138:163] = True
    calm = fit_line(FinePicture(picture.light, covered, STEP), np.array(truth), SECTION)
    assert aside(calm, truth) < 3 * 2 * math.sqrt(2) * SECTION / 12.0 + 0.25


def test_nothing_to_fit_leaves_the_line_in_the_picture():
    empty = FinePicture(np.zeros(SHAPE, np.float32), np.zeros((150, 210), bool), STEP)
    line = np.array([10.0, 20.0, 300.0, 200.0])
    found = fit_line(empty, line, SECTION)
    assert np.isfinite(found).all()
    assert found[[0, 2]].min() > -7 and found[[0, 2]].max() < SHAPE[1] + 6
    tiny = np.array([10.0, 20.0, 30.0, 25.0])
    assert (fit_line(empty, tiny, SECTION) == tiny).all()


def test_cells_and_pixels():
    picture = FinePicture(np.zeros((9, 9), np.float32), np.zeros((3, 3), bool), 3)
    # The centre of the first cell of 3 px lies at pixel 1.
    assert picture.from_cells(np.array([0.0, 1.0])).tolist() == [1.0, 4.0]
    assert picture.to_cells(np.array([1.0, 4.0])).tolist() == [0.0, 1.0]
