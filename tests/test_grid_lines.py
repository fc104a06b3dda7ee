"""Lines along pixel columns and rows: trails found, bad columns told from them."""

import math

import numpy as np
import pytest
from painted_sky import FWHM_PER_SIGMA, as_frame, gaussian, starfield
from scipy.special import erf

from classifier.grid_lines import STRIPS, grid_lines
from classifier.measures import measure_frame
from classifier.pixel_lines import DEFECT, TRAIL, UNCLEAR, Sensor, line_kind

SHAPE = (512, 640)
NOISE = 6.0
FWHM = 3.0


def trail(snr, place, moves_px=0.0, across=False, fwhm=FWHM, shape=SHAPE):
    """Light along a column (across: a row) with the stars' own section, integrated over pixels;
    it moves by so many pixels from end to end. S/N = (A / noise) sqrt(L s sqrt(pi))."""
    high, wide = shape[::-1] if across else shape
    sigma = fwhm / FWHM_PER_SIGMA
    length = math.hypot(high, moves_px)
    height = snr * NOISE / math.sqrt(length * sigma * math.sqrt(math.pi))
    centre = place + moves_px * (np.arange(high)[:, None] / high - 0.5)
    edges = (np.arange(wide + 1)[None] - 0.5 - centre) / (sigma * math.sqrt(2))
    light = height * sigma * math.sqrt(2 * math.pi) * np.diff(erf(edges), axis=1) / 2
    return light.T if across else light


def bad_column(snr, place, across=False, width=1, shape=SHAPE):
    """One whole column (or two) that reads too much, at that S/N of a sum along it."""
    high, wide = shape[::-1] if across else shape
    light = np.zeros((high, wide))
    light[:, place : place + width] = snr * NOISE / math.sqrt(high * width)
    return light.T if across else light


def sky(seed=0, fwhm=FWHM):
    return starfield(SHAPE, gaussian(fwhm), seed=seed, spacing=70, sky=500.0, noise=NOISE)


def evidence(picture, **facts):
    return measure_frame(as_frame(np.round(picture), **facts)).evidence["trail"]


@pytest.mark.parametrize("across", [False, True])
@pytest.mark.parametrize("moves_px", [0.0, 1.5, 5.0])
def test_trail_along_the_grid_is_found(across, moves_px):
    # Covered stars, the sky taken out and cells of 2 px leave a third of the S/N of 30 or more.
    for seed, place in ((1, 203.3), (2, 401.0)):
        found = evidence(sky(seed) + trail(30.0, place, moves_px, across))
        assert found.state == "yes" and 8.0 < found.value < 33.0
        x0, y0, x1, y1 = found.where[0]
        first, last = (y0, y1) if across else (x0, x1)
        low, high = (x0, x1) if across else (y0, y1)
        side = SHAPE[1] if across else SHAPE[0]
        for at, along in ((first, low), (last, high)):
            true = place + moves_px * (along / side - 0.5)
            # sqrt(2) s / (S/N), twice at an end, of a third of the S/N: 0.36 px, times three.
            assert abs(at - true) < 1.1


@pytest.mark.parametrize("across", [False, True])
@pytest.mark.parametrize("width", [1, 2])
@pytest.mark.parametrize("snr", [12.0, 30.0, 200.0])
def test_bad_column_is_no_trail(across, width, snr):
    found = evidence(sky(3) + bad_column(snr, 233, across, width))
    assert found.state == "no" and found.value < 8.0
    # Nor is a part of one.
    half = bad_column(snr, 233, across, width)
    half[SHAPE[0] // 2 :, SHAPE[1] // 2 if across else 0 :] = 0.0
    assert evidence(sky(3) + half).state == "no"


def test_trail_beside_bad_columns_is_found():
    light = trail(30.0, 300.4) + sum(bad_column(60.0, place) for place in (60, 171, 222, 420, 533))
    found = evidence(sky(4) + light)
    assert found.state == "yes"
    assert abs(found.where[0][0] - 300.4) < 1.1 and abs(found.where[0][2] - 300.4) < 1.1


@pytest.mark.parametrize("fwhm", [1.3, 2.0, 3.0, 6.0])
def test_kind_by_the_section(fwhm):
    """A Gaussian explains its own light fully and a whole column but the part
    (sum g d)^2 / (sum g^2 sum d^2) of it: 0.83 at a FWHM of 1.3 px right on a column, so that at a
    S/N of 20 the difference of chi squared is 0.17 x 400 / 1.2 = 57, six times what counts. Right
    between two columns so narrow a trail fills just these, and a little aside nearly so: at 0.3 px
    all but 0.07, for which the S/N is doubled."""
    snr = 40.0 if fwhm == 1.3 else 20.0
    rng = np.random.default_rng(5)
    for place in (200.0, 200.3, 200.5):
        for seed in range(4):
            noise = 500.0 + rng.normal(0, NOISE, SHAPE)
            ends = np.array([place + rng.uniform(-1, 1), 0.0, place, SHAPE[0] - 1.0])
            lit = Sensor(noise + trail(snr, place, fwhm=fwhm), NOISE)
            kind = line_kind(lit, ends, fwhm)
            assert kind != DEFECT if (place, fwhm) == (200.5, 1.3) else kind == TRAIL
            turned = Sensor(noise.T + trail(snr, place, 1.7, True, fwhm, SHAPE[::-1]), NOISE)
            assert line_kind(turned, ends[[1, 0, 3, 2]], fwhm) == TRAIL
            two = seed % 2
            defect = Sensor(noise + bad_column(snr, int(place), width=1 + two), NOISE)
            kind = line_kind(defect, ends, fwhm)
            assert kind != TRAIL if two and fwhm == 1.3 else kind == DEFECT


def test_colours_of_a_mosaic_are_no_section():
    rng = np.random.default_rng(6)
    colours = np.tile([[500.0, 900.0], [880.0, 420.0]], (SHAPE[0] // 2, SHAPE[1] // 2))
    noise = colours + rng.normal(0, NOISE, SHAPE)
    ends = np.array([200.0, 0.0, 200.0, 511.0])
    assert line_kind(Sensor(noise + trail(20.0, 200.4), NOISE), ends, FWHM) == TRAIL
    assert line_kind(Sensor(noise + bad_column(20.0, 200), NOISE), ends, FWHM) == DEFECT


def test_charge_spilt_from_a_burnt_out_star_is_left_open():
    picture = 500.0 + np.random.default_rng(7).normal(0, NOISE, SHAPE)
    picture += trail(60.0, 200.0)
    ends = np.array([200.0, 0.0, 200.0, 511.0])
    assert line_kind(Sensor(picture, NOISE, 4000.0), ends, FWHM) == TRAIL
    picture[250:262, 195:206] = 4000.0
    assert line_kind(Sensor(picture, NOISE, 4000.0), ends, FWHM) == UNCLEAR
    # Without a level of saturation nobody knows that the star is burnt out.
    assert line_kind(Sensor(picture, NOISE), ends, FWHM) == TRAIL


def test_sums_of_noise_hold_no_line():
    # 11 slopes x 11 windows x 250 columns x 3 sections, mostly alike: some thousands, of which
    # the highest is 3.5 to 4.5 of a normal deviate; divided by a spread of 1 or more.
    highest = []
    for seed in range(20):
        calm = np.random.default_rng(seed).normal(0, 1, (256, 250)).astype(np.float32)
        found = grid_lines(calm, 2.0)
        highest.append(max(snr for _, snr in found))
    assert 3.0 < np.mean(highest) < 4.7 and max(highest) < 5.8


@pytest.mark.parametrize(
    ("ends", "share"), [((120.0, 119.0), 1.0), ((90.0, 98.0), 1.0), ((60.0, 60.0), 0.5)]
)
def test_place_of_a_line_in_cells(ends, share):
    side = 16 * STRIPS
    calm = np.random.default_rng(9).normal(0, 1, (side, 250)).astype(np.float32)
    rows = np.arange(round(share * side))
    centre = ends[0] + (ends[1] - ends[0]) * rows / side
    off = np.arange(250)[None] - centre[:, None]
    calm[: len(rows)] += 2.0 * np.exp(-0.5 * off**2)
    (x0, y0, x1, y1), snr = grid_lines(calm, 8.0)[0]
    # 2 sqrt(L sqrt(pi)) over noise of one; so bright a line widens the scatter of the columns
    # beside it, whose mean is taken over it, by up to a half.
    bound = 2.0 * math.sqrt(len(rows) * math.sqrt(math.pi))
    assert 0.6 * bound < snr < 1.1 * bound
    assert (y0, y1) == (-0.5, len(rows) - 0.5)
    # Slopes are two cells apart, strips move by whole cells.
    assert abs(x0 - ends[0]) < 1.6
    assert abs(x1 - ends[0] - (ends[1] - ends[0]) * share) < 1.6
    turned = max(grid_lines(np.ascontiguousarray(calm.T), 8.0), key=lambda line: line[1])
    assert turned[0].tolist() == pytest.approx([y0, x0, y1, x1])
    assert grid_lines(calm[:40], 3.0) == []
