"""The light between the stars, in the cells in which lines are searched.

A cell of a large frame holds dozens of pixels, and in most of them lies a star or a part of one.
Cutting stars down to a few sigma leaves more of them in a cell than a faint trail: here they are
left out, with what lies next to them, and the gaps hold what is around. A trail so bright that it
would be left out with them keeps a part of its light: `kept` of a sigma for each of its pixels.
"""

from dataclasses import dataclass

import torch
import torch.nn.functional as F
from torch import Tensor

from classifier.surface import Surface
from classifier.sweeps import running_sum

# In sigma of a mean over 2 x 2 half-size pixels: stars are higher, and no light counts for more.
STAR, CLIPPED = 8.0, 3.0
# Of half-size pixels that are not binned further: of one, and of the mean of 3 x 3.
SHARP_STAR, SOFT_STAR = 8.0, 4.0
# Tight masks leave out what is bright itself, in sigma: of what lies in a high mean of 3 x 3, and
# of what lies next to what is left out already, so many times over.
OWN_LIGHT, LIGHT_BESIDE, TIMES = 1.5, 2.0, 3
# Cells to a side whose mean fills what was left out.
AROUND = 11
_LEAST_SEEN = 5.0  # cells, of all around


@dataclass(frozen=True)
class Between:
    """Light between the stars in pixels of `side` half-size pixels a side.

    light: (B, h, w) ADU above the coarse sky, CLIPPED sigma at most, 0 under stars. stars, core:
    (B, h, w) bool, what is left out, and where of that the light itself is high. noise: (B,) sigma
    of a pixel, ADU.
    """

    light: Tensor
    stars: Tensor
    core: Tensor
    noise: Tensor
    side: int


def between_stars(surface: Surface, tight: bool = False) -> Between:
    """In half-size pixels where a cell is one of them, else in pixels twice as wide.

    tight: of a star what is bright itself is left out, and not all around it: of a field of sharp
    stars, where hardly half was free, nine tenths are, and what is left of the wings is little.
    """
    if surface.step == 1:
        light, noise = surface.excess, surface.half_noise
        limit = noise[:, None, None]
        near = F.pad(light.clamp_max(SHARP_STAR * limit), (1, 1, 1, 1))
        soft = running_sum(running_sum(near, 3, 1), 3, 2) > 9 / 3 * SOFT_STAR * limit
        if tight:
            soft &= light > OWN_LIGHT * limit
        core = soft | (light > SHARP_STAR * limit)
        stars = core if tight else _grown(_grown(core))
    else:
        light, noise = surface.quarter, surface.half_noise / 2
        limit = noise[:, None, None]
        core = light > STAR * limit
        stars = core if tight else _grown(core)
    if tight:
        is_lit = light > LIGHT_BESIDE * limit
        for _ in range(TIMES):
            stars = stars | (_grown(stars) & is_lit)
    clipped = torch.minimum(light, CLIPPED * noise[:, None, None])
    side = 1 if surface.step == 1 else 2
    return Between(clipped.masked_fill_(stars, 0.0), stars, core, noise, side)


def starless(surface: Surface, between: Between | None = None, kept: float = 0.0) -> Tensor:
    """(B, h, w) ADU above the coarse sky, on the grid of `Surface.calm`.

    kept: of a sigma, what remains of a pixel that is left out for its own light.
    """
    between = between or between_stars(surface)
    light = pooled(between.light, surface, between.side)
    seen = 1 - pooled(between.stars.to(light.dtype), surface, between.side)
    around = _sums_around(light) / _sums_around(seen).clamp_min(_LEAST_SEEN)
    light = light + (1 - seen) * around
    if kept:
        core = pooled(between.core.to(light.dtype), surface, between.side)
        light += kept * between.noise[:, None, None] * core
    return light


def _grown(mask: Tensor) -> Tensor:
    """A mask and the eight neighbours of its pixels."""
    for dim in (1, 2):
        grown, rest = mask.clone(), mask.shape[dim] - 1
        grown.narrow(dim, 1, rest).logical_or_(mask.narrow(dim, 0, rest))
        grown.narrow(dim, 0, rest).logical_or_(mask.narrow(dim, 1, rest))
        mask = grown
    return mask


def pooled(picture: Tensor, surface: Surface, pixel: int) -> Tensor:
    """Means over the cells of `calm`, of which a side is a half or a whole number of pixels."""
    batch, high, wide = surface.calm.shape
    if surface.step == pixel:
        return picture[:, :high, :wide]
    part = picture[:, : high * surface.step // pixel, : wide * surface.step // pixel]
    if surface.step % pixel:
        return F.adaptive_avg_pool2d(part[:, None], (high, wide))[:, 0]
    side = surface.step // pixel
    rows = part.reshape(batch, high, side, wide * side).mean(2)
    return rows.reshape(batch, high, wide, side).mean(3)


def _sums_around(cells: Tensor) -> Tensor:
    """Sums of `AROUND` x `AROUND` cells, of fewer at the edges."""
    padded = F.pad(cells, (AROUND // 2,) * 4)
    return running_sum(running_sum(padded, AROUND, 1), AROUND, 2)
