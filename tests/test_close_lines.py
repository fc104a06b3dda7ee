"""The closer look at lines: a faint one found where it is, at the S/N that a matched filter has.

Outside references: the matched filter of a Gaussian section in white noise (closed form), and
scipy.ndimage for the light of a tilted line.
"""

import numpy as np
import pytest
import torch

from classifier.close_lines import look_closely
from classifier.line_profile import ALONG, REACH_PX
from classifier.starless import Between

SHAPE, SIGMA_PX = (700, 1000), 0.9
LINE = (40.0, 90.0, 950.0, 610.0)
LENGTH_PX = float(np.hypot(910.0, 520.0))


def between(snr: float, ends=LINE, covered: float = 0.03, seed: int = 1) -> Between:
    """White noise of 5 ADU with a line of that matched-filter S/N, some of it under stars."""
    rng = np.random.default_rng(seed)
    rows, columns = np.indices(SHAPE)
    x0, y0, x1, y1 = ends
    length = np.hypot(x1 - x0, y1 - y0)
    off = ((rows - y0) * (x1 - x0) - (columns - x0) * (y1 - y0)) / length
    height = snr / np.sqrt(length * SIGMA_PX * np.sqrt(np.pi))
    light = rng.normal(size=SHAPE) + height * np.exp(-0.5 * (off / SIGMA_PX) ** 2)
    stars = torch.from_numpy(rng.random(SHAPE) < covered)[None]
    pixels = 5.0 * torch.from_numpy(light.clip(None, 3.0)).float()[None]
    return Between(pixels.masked_fill(stars, 0.0), stars, stars, torch.tensor([5.0]), 1)


def moved(shift: float, tilt: float) -> torch.Tensor:
    """LINE as a coarse search may have it: shifted, its ends moved against each other."""
    x0, y0, x1, y1 = LINE
    across = np.array([-(y1 - y0), x1 - x0]) / LENGTH_PX
    ends = np.array(LINE) + np.concatenate(((shift - tilt) * across, (shift + tilt) * across))
    return torch.tensor(ends).float().view(1, 1, 1, 4)


@pytest.mark.parametrize(("shift", "tilt"), [(0, 0), (5, 0), (-3, 4), (2, -5)])
def test_a_line_is_found_where_it_is(shift, tilt):
    found = look_closely(between(12.0), moved(-shift, -tilt), [1.1 * LENGTH_PX])
    assert found.strips.shape == (1, 1, 2 * REACH_PX + 1, ALONG)
    true = torch.tensor(LINE)
    x0, y0, x1, y1 = found.ends[0, 0].tolist()
    across = torch.tensor([-(true[3] - true[1]), true[2] - true[0]]) / LENGTH_PX
    for x, y, at in ((x0, y0, true[:2]), (x1, y1, true[2:])):
        assert abs(float(((torch.tensor([x, y]) - at) * across).sum())) <= 1.5
    # Three neighbours as 1 2 1 lose a tenth to the pixels' steps, 3 % are covered; noise adds 1
    # either way, the spread of a few rows is known to a tenth, and the best place is taken.
    assert 0.65 * 12 < float(found.snr) < 1.3 * 12
    section = found.strips[0, 0].mean(1)
    assert int(section.argmax()) - REACH_PX in (-1, 0, 1)


def test_noise_alone_has_no_line():
    ends = torch.from_numpy(np.random.default_rng(2).uniform(50, 650, (1, 2, 20, 4))).float()
    found = look_closely(between(0.0), ends, [900.0, 900.0])
    # The highest of 143 shifts and tilts of 40 lines of white noise.
    assert 2.5 < float(found.snr.max()) < 5.5


def test_stars_left_out_are_not_counted():
    bare, covered = (between(20.0, covered=share) for share in (0.0, 0.5))
    ends = moved(0, 0)
    whole, half = (float(look_closely(b, ends, [1100.0]).snr) for b in (bare, covered))
    assert half == pytest.approx(whole / 2**0.5, rel=0.2)


def test_a_slope_of_the_sky_is_no_line():
    sky = between(0.0)
    sky.light.add_(10.0 * torch.linspace(0, 1, SHAPE[1]))
    assert float(look_closely(sky, moved(0, 0), [1100.0]).snr) < 5


def test_dark_rows_make_no_line_of_what_lies_some_way_off():
    # As at the edge of a real sensor: rows far below the sky, by which all else is bright.
    sky = between(0.0)
    sky.light[:, :3] -= 250.0
    sky.light[:, 400] -= 250.0
    edges = [[5.0, 17.0, 990.0, 18.0], [5.0, 416.0, 990.0, 417.0]]
    others = np.random.default_rng(4).uniform(100, 350, (10, 4)).tolist()
    lines = torch.tensor(edges + others).view(1, 1, 12, 4)
    assert float(look_closely(sky, lines, [1100.0]).snr.max()) < 8


def test_short_lines_are_counted_pixel_by_pixel():
    # A line of 60 px is sampled in 1,100 places: each of its pixels many times.
    x0, y0, x1, y1 = LINE
    middle = np.array([x0 + x1, y0 + y1]) / 2
    along = np.array([x1 - x0, y1 - y0]) / LENGTH_PX
    ends = np.concatenate((middle - 30 * along, middle + 30 * along))
    line = torch.tensor(ends).float().view(1, 1, 1, 4)
    skies = [between(0.0, seed=seed) for seed in range(12)]
    assert np.median([float(look_closely(sky, line, [1100.0]).snr) for sky in skies]) < 4
