"""The line search against sums along every line taken one by one, and against planted lines."""

import math

import numpy as np
import pytest
import torch
import torch.nn.functional as F

from classifier.lines import inner_part, line_search, prepare
from classifier.sweeps import running_sum


def drawn(ends, amplitude, shape=(200, 260), seed=0):
    """Unit noise with a line of Gaussian section, sigma 1 px, between two points."""
    rng = np.random.default_rng(seed)
    x0, y0, x1, y1 = ends
    length = math.hypot(x1 - x0, y1 - y0)
    y, x = np.mgrid[: shape[0], : shape[1]]
    along = ((x - x0) * (x1 - x0) + (y - y0) * (y1 - y0)) / length
    across = ((x - x0) * (y1 - y0) - (y - y0) * (x1 - x0)) / length
    line = amplitude * np.exp(-(across**2) / 2) * ((along >= 0) & (along <= length))
    return torch.from_numpy((rng.normal(0, 1, shape) + line).astype(np.float32))[None]


@pytest.mark.parametrize(
    "ends",
    [
        (0, 20, 259, 150),
        (0, 180, 259, 30),
        (40, 0, 120, 199),
        (200, 0, 90, 199),
        (0, 100, 259, 112),
    ],
)
def test_planted_lines_are_found(ends):
    search = line_search(prepare(drawn(ends, 0.8)))
    found = search.ends[0, 0].tolist()
    x0, y0, x1, y1 = ends
    length = math.hypot(x1 - x0, y1 - y0)
    away = [abs((x - x0) * (y1 - y0) - (y - y0) * (x1 - x0)) / length for x, y in _points(found)]
    # A digital line of the transform leaves the true one by up to 1 px (Brady 1998: log2(N) / 6).
    assert max(away) < 2.5
    # Three pixels of the section with weights 1 2 1 over sqrt 6: 0.8 x (2 x 0.96 + 2 x 0.59) /
    # sqrt 6 (means over pixels 1 px wide of a Gaussian of sigma 1 px) x sqrt(steps), where a step
    # is one row or column; losses to the smooth part taken out and to the digital line are up to
    # 40 %, and noise adds 1 to 2.
    steps = max(abs(x1 - x0), abs(y1 - y0))
    bound = 0.8 * (2 * 0.96 + 2 * 0.59) / 6**0.5 * steps**0.5
    assert 0.6 * bound - 1 < float(search.snr[0, 0]) < bound + 2


def _points(ends):
    return [ends[:2], ends[2:]]


def test_noise_holds_no_line():
    # Some 2e5 lines, most of them nearly the same as others: the highest of noise is 4 to 6.
    snr = line_search(prepare(drawn((0, 0, 1, 1), 0.0)).clone()).snr
    assert 3.0 < float(snr.max()) < 6.5


def test_steep_lines_agree_with_sums_one_by_one():
    """On 16 x 16 px every line of the transform is short enough to be written down: each joins
    the two halves of its height by Brady's rule, slopes 0 to 15."""
    picture = torch.randn(1, 16, 16)

    def digital(height, slope):
        if height == 1:
            return [0]
        half = digital(height // 2, slope // 2)
        return half + [each + (slope + 1) // 2 for each in half]

    wide = F.pad(picture[0], (16, 16)).numpy()
    best = -np.inf
    for slope in range(2, 16):
        steps = digital(16, slope)
        for start in range(32):
            places = [start + step for step in steps]
            count = sum(16 <= place < 32 for place in places)
            if count >= 0.25 * 16:
                total = sum(wide[row, place] for row, place in enumerate(places))
                best = max(best, total / count**0.5)
    from classifier.lines import STAGES, _scales, _strips

    sums = _strips(picture, 16)[0]
    scale = _scales(16, 16, 16, STAGES, picture.device)[0]
    assert float((sums / scale.root).max()) == pytest.approx(best, rel=1e-5)


@pytest.mark.parametrize("width", [1, 2, 7, 15, 16])
def test_running_sums_are_poolings(width):
    picture = torch.randn(2, 70, 90) * 5 + 300
    ran = running_sum(running_sum(picture, width, 1), width, 2)
    outside = F.avg_pool2d(picture[:, None], width, 1)[:, 0] * width**2
    # Sums of up to 256 float32 of some 300: units in the last place of the sum.
    assert torch.allclose(ran, outside, rtol=2e-6)


@pytest.mark.parametrize(
    ("side", "kept"), [(512, 512), (520, 512), (532, 512), (533, 533), (400, 400), (257, 256)]
)
def test_inner_part_is_centred(side, kept):
    rows, columns = inner_part(side, 512)
    assert rows.stop - rows.start == kept
    assert abs(rows.start - (side - rows.stop)) <= 1
    assert columns == slice(0, 512)


@pytest.mark.parametrize(("rows", "depth"), [(1, 8.0), (2, 3.0), (2, 8.0), (3, 10.0)])
def test_dark_rows_at_the_rim_are_no_line(rows, depth):
    # The first rows are dark for a part of their length, as those of some cameras are: a row's
    # median does not see that. Left in, they are lines of S/N 7 and 10.
    picture = drawn((0, 0, 1, 1), 0.0)
    picture[:, :rows, :90] -= depth
    assert float(line_search(prepare(picture)).snr.max()) < 6.5
