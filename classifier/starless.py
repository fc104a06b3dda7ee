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
from classifier.sweeps import running_max

# Cells of fewer half-size pixels a side hold few stars.
SMALLEST_STEP = 4
# In sigma of a mean over 4 x 4 frame pixels: stars are what is higher, and no light counts more.
STAR, CLIPPED = 8.0, 3.0
# Cells to a side whose mean fills what was left out.
AROUND = 11
_LEAST_SEEN = 0.05


def starless(surface: Surface) -> Tensor:
    """(B, h, w) ADU above the coarse sky, on the grid of `Surface.calm`."""
    noise = surface.half_noise[:, None, None] / 2
    quarter = surface.quarter
    stars = running_max(running_max((quarter > STAR * noise).float(), 3, 1), 3, 2)
    between = torch.minimum(quarter, CLIPPED * noise) * (1 - stars)
    light, seen = _pooled(between, surface), 1 - _pooled(stars, surface)
    around = _smoothed(light) / _smoothed(seen).clamp_min(_LEAST_SEEN)
    return light + (1 - seen) * around


def _pooled(quarter: Tensor, surface: Surface) -> Tensor:
    """Means over the cells of `calm`, of which a side is a half or a whole number of pixels."""
    batch, high, wide = surface.calm.shape
    part = quarter[:, : high * surface.step // 2, : wide * surface.step // 2]
    if surface.step % 2:
        return F.adaptive_avg_pool2d(part[:, None], (high, wide))[:, 0]
    side = surface.step // 2
    rows = part.reshape(batch, high, side, wide * side).mean(2)
    return rows.reshape(batch, high, wide, side).mean(3)


def _smoothed(cells: Tensor) -> Tensor:
    return F.avg_pool2d(cells[:, None], AROUND, 1, AROUND // 2, count_include_pad=False)[:, 0]
