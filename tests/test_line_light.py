"""The S/N along a known line, against the closed form of the matched filter."""

import math

import numpy as np
import pytest
from painted_sky import as_frame, gaussian, starfield

from classifier.background import sky_picture
from classifier.line_light import line_snr
from classifier.measures import measure_frame
from classifier.star_evidence import trail as trail_evidence
from classifier.trails import Trail, _calm

SHAPE = (300, 400)
ENDS = np.array([20.0, 40.0, 380.0, 240.0])


def noise(seed):
    return np.random.default_rng(seed).normal(0, 1, SHAPE).astype(np.float32)


def line(snr, section, ends=ENDS):
    """A line of Gaussian section whose matched filter gives `snr` in noise of 1 per cell:
    S/N = A sqrt(L s sqrt(pi)), from the integral of a squared Gaussian of height 1."""
    x0, y0, x1, y1 = ends
    length = math.hypot(x1 - x0, y1 - y0)
    y, x = np.indices(SHAPE)
    off = ((x - x0) * (y1 - y0) - (y - y0) * (x1 - x0)) / length
    along = ((x - x0) * (x1 - x0) + (y - y0) * (y1 - y0)) / length
    height = snr / math.sqrt(length * section * math.sqrt(math.pi))
    return height * np.exp(-0.5 * (off / section) ** 2) * ((along >= 0) & (along <= length))


@pytest.mark.parametrize("section", [0.8, 1.2, 2.4])
@pytest.mark.parametrize("snr", [8.0, 16.0])
def test_snr_is_that_of_the_matched_filter(section, snr):
    seen = [line_snr(noise(seed) + line(snr, section), ENDS) for seed in range(12)]
    # Noise of 1 on each, so 0.3 on the mean of 12. Leaving out the brightest of 8 parts costs
    # (1.42 / 8) sqrt(8 / 7) sqrt(8) = 0.5 by the mean of the largest of 8 normal deviates, the
    # sections in between and the clipping up to 5 %, the best of four sections gains some 0.2.
    assert np.mean(seen) == pytest.approx(snr - 0.3, abs=0.9 + 0.05 * snr)


def test_light_of_a_strong_line_is_given_in_full():
    # One part in 40 of error in S/N is left by the noise of twelve; without the share of the
    # part left out it would be short by 1 - sqrt(7 / 8), 6 %.
    seen = [line_snr(noise(seed) + line(40.0, 1.2), ENDS) for seed in range(12)]
    assert np.mean(seen) / 40.0 == pytest.approx(1.0, abs=0.04)


def test_wide_faint_trail_of_a_frame_counts():
    # Section 2.5 px, S/N 16: the sum over single cells sees less than half of that.
    rows, columns = np.indices((320, 400))
    turn = math.radians(20)
    off = (rows - 160) * math.cos(turn) - (columns - 200) * math.sin(turn)
    height = 16.0 * 6.0 / math.sqrt(400 / math.cos(turn) * 2.5 * math.sqrt(math.pi))
    picture = starfield((320, 400), gaussian(3.0), seed=1, spacing=90, sky=500.0, noise=6.0)
    picture += height * np.exp(-0.5 * (off / 2.5) ** 2)
    trail = measure_frame(as_frame(picture)).evidence["trail"]
    # A fifth is lost to the stars' covers and to the sky that is taken out; noise adds 1.
    assert trail.state == "yes" and 10.0 < trail.value < 17.5


def test_stars_drawn_out_to_lines_are_no_trails():
    line_found = Trail((0.0, 10.0, 300.0, 200.0), 30.0, 1.0, 0.0, 4.0, 12.0, False)
    assert trail_evidence([line_found], 50.0, 1.3).state == "yes"
    drawn_out = trail_evidence([line_found], 50.0, 6.0)
    assert drawn_out.state == "unknown" and "drawn out" in drawn_out.note


def test_noise_alone_makes_no_line():
    rng = np.random.default_rng(3)
    seen = []
    for seed in range(40):
        ends = np.array([0.0, rng.uniform(30, 270), 399.0, rng.uniform(30, 270)])
        seen.append(line_snr(noise(seed), ends))
    # The best of four sections, hardly independent, of a normal deviate that lost its best part.
    assert -1.0 < np.mean(seen) < 0.8 and max(seen) < 3.5


def test_one_bright_spot_makes_no_line():
    spot = noise(1)
    spot[136:144, 196:204] += 100.0
    assert line_snr(spot, ENDS) < 3.5
    # The same light along the whole line does.
    assert line_snr(noise(1) + line(40.0, 1.2), ENDS) > 25


def test_ridge_among_ridges_is_no_line():
    # Waves of cloud across the line's direction: its own crest is no more than the others.
    x0, y0, x1, y1 = ENDS
    y, x = np.indices(SHAPE)
    off = ((x - x0) * (y1 - y0) - (y - y0) * (x1 - x0)) / math.hypot(x1 - x0, y1 - y0)
    waves = noise(5) + 0.6 * np.cos(2 * math.pi * off / 14.0)
    assert line_snr(waves, ENDS) < 4.0
    # A lone one of that height, A sqrt(L s sqrt(pi)) = 0.6 x sqrt(412 x 3 x 1.77), is a line.
    lone = noise(5) + 0.6 * np.exp(-0.5 * (off / 3.0) ** 2)
    assert line_snr(lone, ENDS) == pytest.approx(28.1, rel=0.15)


def test_steep_sky_is_taken_out_about_its_middle():
    # 0.4 ADU a row in noise of 1: medians taken 1.5 rows off the middle of their block would
    # leave 0.6 ADU everywhere, half a row off leaves 0.2.
    slope = 0.4 * np.arange(480.0)[:, None] + np.zeros((480, 640))
    pixels = (slope + np.random.default_rng(6).normal(0, 1, slope.shape)).astype(np.float32)
    calm, _, _ = _calm(sky_picture(pixels, (0, 0, 640, 480), False))
    assert abs(float(np.median(calm[20:-20, 20:-20]))) < 0.35


def test_covered_cells_are_left_out():
    picture = noise(2) + line(16.0, 1.2)
    covered = picture.copy()
    covered[:, 100:200] = 0.0  # a quarter of the line: sqrt(0.72) of the S/N is left
    seen = line_snr(covered, ENDS) / line_snr(picture, ENDS)
    assert seen == pytest.approx(math.sqrt(1 - 100 / 360), abs=0.1)


def test_units_of_the_picture_do_not_matter():
    picture = noise(4) + line(12.0, 1.2)
    assert line_snr(picture * 37.0, ENDS) == pytest.approx(line_snr(picture, ENDS), rel=1e-3)
    assert line_snr(np.zeros(SHAPE, np.float32), ENDS) == 0.0
    assert line_snr(picture, np.array([5.0, 5.0, 5.0, 5.0])) == 0.0
