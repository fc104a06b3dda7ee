"""Maxima and line sums put together step by step, against torch's own poolings and plain sums."""

import pytest
import torch
import torch.nn.functional as F

from classifier.lines import STAGES, _strips
from classifier.sweeps import running_max, shrunk_maxima


@pytest.mark.parametrize("width", (3, 7, 11))
@pytest.mark.parametrize("shape", ((2, 1, 40, 33), (1, 2, 5, 4)))
def test_running_maxima_are_poolings_with_stride_1(width, shape):
    picture = torch.randn(shape, generator=torch.Generator().manual_seed(1))
    half = width // 2
    down = F.max_pool2d(picture, (width, 1), 1, (half, 0)) if width <= shape[2] * 2 else None
    across = F.max_pool2d(picture, (1, width), 1, (0, half))
    assert down is None or torch.equal(running_max(picture, width, 2), down)
    assert torch.equal(running_max(picture, width, 3), across)


@pytest.mark.parametrize("size", ((16, 16), (37, 50), (10, 49), (1, 3)))
def test_shrunk_maxima_are_adaptive_poolings(size):
    picture = torch.randn(2, 37, 50, generator=torch.Generator().manual_seed(2))
    assert torch.equal(shrunk_maxima(picture, size), F.adaptive_max_pool2d(picture, size))


@pytest.mark.parametrize("shape", ((11, 9), (16, 16), (5, 20)))
def test_strips_hold_the_sums_along_straight_lines(shape):
    """Over the whole height, slope s: one column further right for every (rows - 1) / s rows,
    by the rule of the transform, in which a line of height 2h is two of height h, the lower one
    begun at half the slope, rounded up."""
    height, width = shape
    rows = 1 << (height - 1).bit_length()
    picture = torch.rand(1, height, width, generator=torch.Generator().manual_seed(3))
    whole = _strips(picture, rows)[0][0, 0]
    assert whole.shape == (rows, rows + width)

    def shifts(slope: int, size: int) -> list[int]:
        if size == 1:
            return [0]
        upper = shifts(slope // 2, size // 2)
        return upper + [(slope + 1) // 2 + shift for shift in upper]

    for slope in range(rows):
        path = shifts(slope, rows)[:height]
        for x0 in range(-rows, width):
            places = [(y, x0 + s) for y, s in enumerate(path) if 0 <= x0 + s < width]
            expected = sum(float(picture[0, y, x]) for y, x in places)
            # Sums of at most 16 numbers below 1 in another order: float32 rounds to some 1e-6.
            assert float(whole[slope, x0 + rows]) == pytest.approx(expected, abs=1e-5)
    assert len(_strips(picture, rows)) == STAGES
