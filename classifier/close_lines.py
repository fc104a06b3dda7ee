"""Lines that a search found, looked at closely: in pixels much finer than the cells of the search.

A search over all lines of a large frame has cells many times as wide as a trail, and with the sky
of a whole cell comes its noise. Along a few lines the light can be summed where the trail is: all
small shifts and tilts of each line are tried, and the best one is kept. Torch, batched, CPU and
GPU.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import torch
import torch.nn.functional as F
from torch import Tensor

from classifier.line_profile import ALONG, REACH_PX
from classifier.lines import RIM
from classifier.starless import CLIPPED, Between
from classifier.sweeps import constant, middle

# Pixels looked at to each side of a line as it was found; those that it may be shifted by, and that
# its ends may be moved by against each other. Farther out is the sky that it is held against.
LOOKED_AT, MOST_SHIFT, MOST_TILT = 20, 6, 5
# Longer parts of a line that are brought together for every shift and tilt.
_PARTS = 16
# A star's width across: weights of neighbours.
_SECTION = (1.0, 2.0, 1.0)
_LEAST_SEEN = 0.15  # of a line's places, that are not under stars


@dataclass(frozen=True)
class CloseLook:
    """snr: (B, n) of each line where its light is. ends: (B, n, 4) of that line, in pixels of what
    was looked at. strips: (B, n, 2 REACH_PX + 1, ALONG) its surroundings laid out straight, in
    units of a pixel's noise."""

    snr: Tensor
    ends: Tensor
    strips: Tensor


def look_closely(between: Between, ends: Tensor, longest_px: Sequence[float]) -> CloseLook:
    """ends: (B, k, n, 4) x0, y0, x1, y1 of lines in pixels of the light between the stars;
    longest_px: the greatest length of the lines of each of the k groups. The answer is of k n
    lines."""
    pictures = _looked_at(between)
    laid = [_laid_out(pictures, e, px) for e, px in zip(ends.unbind(1), longest_px, strict=True)]
    light, seen, normal, overlap = (torch.cat(parts, 1) for parts in zip(*laid, strict=True))
    ends = ends.flatten(1, 2)
    sides = torch.arange(-LOOKED_AT, LOOKED_AT + 1, device=ends.device).abs() > REACH_PX
    light = light - seen * _beside(light[:, :, sides], seen[:, :, sides])
    snr, shift, tilt = _best(light, seen, overlap, sides)
    moved = _sheared(torch.stack((light, seen)), shift, tilt)
    strips = moved[0] / moved[1].clamp_min(1.0)
    half = tilt.to(ends.dtype)[..., None] * normal
    whole = shift.to(ends.dtype)[..., None] * normal
    best = torch.cat((ends[..., :2] + whole - half, ends[..., 2:] + whole + half), -1)
    return CloseLook(snr, best, strips)


def _looked_at(between: Between) -> Tensor:
    """(B, 2, h, w) light in units of a pixel's noise, and 1 where a pixel is free: neither under a
    star nor at the rim, where a dark row would make a line of light of what lies beside it."""
    free = torch.zeros_like(between.light)
    free[:, RIM:-RIM, RIM:-RIM] = (~between.stars[:, RIM:-RIM, RIM:-RIM]).to(free.dtype)
    light = between.light / between.noise[:, None, None]
    return torch.stack((light.clamp_min(-CLIPPED) * free, free), 1)


def _laid_out(
    pictures: Tensor, ends: Tensor, longest_px: float
) -> tuple[Tensor, Tensor, Tensor, Tensor]:
    """(B, 2, h, w) light in units of a pixel's noise, and 1 where a pixel is free -> sums of both
    along lines, (B, n, across, ALONG); (B, n, 2) the lines' normals; and (B, n) how many times a
    pixel is counted."""
    batch, _, height, width = pictures.shape
    start, step = ends[..., None, None, :2], (ends[..., 2:] - ends[..., :2])[..., None, None, :]
    length = step.norm(dim=-1, keepdim=True).clamp_min(1.0)
    normal = torch.stack((-step[..., 1], step[..., 0]), -1) / length
    # Pixel by pixel along the longest line; pixels of shorter ones are counted more than once.
    per_piece = math.ceil(longest_px / ALONG)
    count = ALONG * per_piece
    along = (torch.arange(count, device=ends.device) + 0.5)[:, None] / count
    aside = torch.arange(-LOOKED_AT, LOOKED_AT + 1.0, device=ends.device)[:, None, None]
    places = start + along * step + aside * normal  # (B, n, across, count, 2)
    grid = places * constant((2 / (width - 1), 2 / (height - 1)), ends.device) - 1
    found = F.grid_sample(pictures, grid.flatten(1, 2), mode="nearest", align_corners=True)
    shape = batch, 2, ends.shape[1], len(aside), ALONG, per_piece
    light, seen = found.view(shape).sum(-1).unbind(1)
    overlap = (count / length[..., 0, 0, 0]).clamp_min(1.0)
    return light, seen, normal[:, :, 0, 0], overlap


def _beside(light: Tensor, seen: Tensor, parts: int = 8) -> Tensor:
    """The sky beside each line, (B, n, rows, ALONG) sums and counts, part by part of its length, as
    it may slope: (B, n, 1, ALONG). The median of its rows: one that is dark does not count."""
    sums, counts = (t.unflatten(3, (parts, -1)).sum(4) for t in (light, seen))
    mean = sums.sum(2, keepdim=True) / counts.sum(2, keepdim=True).clamp_min(1.0)
    rows = torch.where(counts > 0, sums / counts.clamp_min(1.0), mean)
    return middle(rows.transpose(2, 3))[:, :, None].repeat_interleave(ALONG // parts, 3)


def _best(
    light: Tensor, seen: Tensor, overlap: Tensor, sides: Tensor
) -> tuple[Tensor, Tensor, Tensor]:
    """S/N of the best shift and tilt of each line, and these in pixels: (B, n) each."""
    sums, counts = (t.unflatten(3, (_PARTS, -1)).sum(4) for t in (light, seen))
    slope = _along(_PARTS, light.device)
    across = torch.arange(2 * LOOKED_AT + 1, device=light.device)[:, None]
    weight = constant(_SECTION, light.device)
    both = torch.stack((sums, counts))
    tried = []
    for tilt in range(-MOST_TILT, MOST_TILT + 1):
        row = (across + (tilt * slope).round().long()).clamp(0, 2 * LOOKED_AT)
        tried.append(both.gather(3, row.expand_as(both)).sum(4))
    told, square = torch.stack(tried, 3)  # (B, n, tilts, across)
    told, square = _across(told, weight), _across(square, weight.square())
    value = told / (square * overlap[..., None, None]).clamp_min(1.0).sqrt()
    # What lies farther out is noise, and what is left of stars and nebulae: as wide as it is, or as
    # white noise is.
    rest = value[..., sides].flatten(1)
    spread = (1.4826 * middle((rest - middle(rest)[:, None]).abs())).clamp_min(0.8)
    least = _LEAST_SEEN * square.amax((1, 2, 3), keepdim=True)
    inner = slice(LOOKED_AT - MOST_SHIFT, LOOKED_AT + MOST_SHIFT + 1)
    value = torch.where(square >= least, value, 0.0)[..., inner] / spread[:, None, None, None]
    best, place = value.flatten(2).max(2)
    size = 2 * MOST_SHIFT + 1
    return best, place % size - MOST_SHIFT, place // size - MOST_TILT


def _along(parts: int, device: torch.device) -> Tensor:
    """(parts,) middles of the parts of a line, -1 at its start to 1 at its end."""
    return (torch.arange(parts, device=device) + 0.5) / (parts / 2) - 1


def _across(values: Tensor, weight: Tensor) -> Tensor:
    """Weighted sums of three neighbours along the last axis, zeros beyond its ends."""
    padded = F.pad(values, (1, 1))
    return weight[0] * padded[..., :-2] + weight[1] * values + weight[2] * padded[..., 2:]


def _sheared(pictures: Tensor, shift: Tensor, tilt: Tensor) -> Tensor:
    """(k, B, n, across, ALONG) laid straight along the moved lines: the REACH_PX rows to each side
    of them."""
    slope = _along(ALONG, shift.device)
    middle_row = LOOKED_AT + shift[..., None] + (tilt[..., None] * slope).round().long()
    aside = torch.arange(-REACH_PX, REACH_PX + 1, device=shift.device)
    row = (middle_row[:, :, None] + aside[:, None]).clamp(0, 2 * LOOKED_AT)
    return pictures.gather(3, row.expand(len(pictures), *row.shape))
