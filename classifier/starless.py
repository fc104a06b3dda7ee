"""The light between the stars, in the cells in which lines are searched: for large frames.

A cell of such a frame holds dozens of pixels, and in most of them lies a star or a part of one.
Cutting stars down, as for small frames, leaves more of them in a cell than a faint trail: here
they are left out, with what lies next to them, and the gaps hold what is around. A trail bright
enough to be left out with them is long found otherwise; where cells are small it would not be.
"""

import torch
import torch.nn.functional as F
from torch import Tensor

from classifier.surface import Surface
from classifier.sweeps import running_sum

# Cells of fewer half-size pixels a side hold few stars.
SMALLEST_STEP = 4
# In sigma of a mean over 4 x 4 frame pixels: stars are what is higher, and no light counts more.
STAR, CLIPPED = 8.0, 3.0
# Cells to a side whose mean fills what was left out.
AROUND = 11
_LEAST_SEEN = 5.0  # cells, of all around


def starless(surface: Surface) -> Tensor:
    """(B, h, w) ADU above the coarse sky, on the grid of `Surface.calm`."""
    noise = surface.half_noise[:, None, None] / 2
    quarter = surface.quarter
    stars = _grown(quarter > STAR * noise)
    between = torch.minimum(quarter, CLIPPED * noise).masked_fill_(stars, 0.0)
    light, seen = _pooled(between, surface), 1 - _pooled(stars.to(quarter.dtype), surface)
    around = _sums_around(light) / _sums_around(seen).clamp_min(_LEAST_SEEN)
    return light + (1 - seen) * around


def _grown(mask: Tensor) -> Tensor:
    """A mask and the eight neighbours of its pixels."""
    for dim in (1, 2):
        grown, rest = mask.clone(), mask.shape[dim] - 1
        grown.narrow(dim, 1, rest).logical_or_(mask.narrow(dim, 0, rest))
        grown.narrow(dim, 0, rest).logical_or_(mask.narrow(dim, 1, rest))
        mask = grown
    return mask


def _pooled(quarter: Tensor, surface: Surface) -> Tensor:
    """Means over the cells of `calm`, of which a side is a half or a whole number of pixels."""
    batch, high, wide = surface.calm.shape
    part = quarter[:, : high * surface.step // 2, : wide * surface.step // 2]
    if surface.step % 2:
        return F.adaptive_avg_pool2d(part[:, None], (high, wide))[:, 0]
    side = surface.step // 2
    rows = part.reshape(batch, high, side, wide * side).mean(2)
    return rows.reshape(batch, high, wide, side).mean(3)


def _sums_around(cells: Tensor) -> Tensor:
    """Sums of `AROUND` x `AROUND` cells, of fewer at the edges."""
    padded = F.pad(cells, (AROUND // 2,) * 4)
    return running_sum(running_sum(padded, AROUND, 1), AROUND, 2)
