"""The light along the best lines of a frame, as numbers for the network.

A line search sums: a chain of a few stars sums to as much as a faint trail. What tells them apart
is how the light lies along the line and across it. The picture that was searched is laid out
straight along each line that was found; a trail is bright in the middle nearly everywhere, stars
in a few places. Medians and ranks along the line say so, where a sum cannot. Torch, batched, CPU
and GPU. `trails` looks at its own lines by itself: it is the second opinion.
"""

import torch
import torch.nn.functional as F
from torch import Tensor

from classifier.sweeps import constant

# Pieces of the line's length, and pixels of the searched picture to both sides of it.
ALONG, REACH_PX = 128, 12
# Places that are looked at in each piece: of a diagonal of 724 px every 1.4 px.
_PLACES = 4
# The longer parts whose darkest and lower quartile are told.
_PARTS = 16
# Of the part that lies in the middle of these a lit part has this share.
_LIT = 0.3
# A trail as wide as a sharp star, and one as wide as a soft star: pixels to each side of the line.
_CORE_PX, _BAND_PX = 1, 3
# The sky beside the line: nearest and farthest pixels of it.
_SIDE_PX = (5, 9)

_OF_LIGHT = ("mean", "median", "lower", "darkest", "lit", "positive", "over_sides")
LINE_FACTS: tuple[str, ...] = (
    *(f"core_{name}" for name in _OF_LIGHT),
    *(f"band_{name}" for name in _OF_LIGHT),
    "crest",
    "width",
    "one_sided",
)


def line_strips(picture: Tensor, ends: Tensor) -> Tensor:
    """The picture laid out along lines: (B, h, w), (B, n, 4) -> (B, n, 2 REACH_PX + 1, ALONG).

    picture: as `lines.prepare` gives it; ends: x0, y0, x1, y1 in its pixels. Zero outside of it.
    """
    batch, height, width = picture.shape
    start, step = ends[..., None, None, :2], (ends[..., 2:] - ends[..., :2])[..., None, None, :]
    length = step.norm(dim=-1, keepdim=True).clamp_min(1.0)
    normal = torch.stack((-step[..., 1], step[..., 0]), -1) / length
    count = ALONG * _PLACES
    along = (torch.arange(count, device=picture.device) + 0.5)[:, None] / count
    aside = torch.arange(-REACH_PX, REACH_PX + 1.0, device=picture.device)[:, None, None]
    places = start + along * step + aside * normal  # (B, n, across, count, 2)
    size = constant((width - 1.0, height - 1.0), picture.device)
    grid = (2 * places / size - 1).flatten(1, 2)
    light = F.grid_sample(picture[:, None], grid, padding_mode="zeros", align_corners=True)
    return light.view(batch, ends.shape[1], len(aside), ALONG, _PLACES).mean(-1)


def line_facts(strips: Tensor) -> Tensor:
    """What tells a trail from a chain of stars: (B, n, across, ALONG) -> (B, n len(LINE_FACTS)).

    The same whichever way a line is followed. In units of the picture's noise, but shares.
    """
    near, far = _SIDE_PX
    left = strips[:, :, REACH_PX - far : REACH_PX - near + 1]
    right = strips[:, :, REACH_PX + near : REACH_PX + far + 1]
    sides = torch.cat((left, right), 2).mean(2)
    told = [_light(strips, reach, sides) for reach in (_CORE_PX, _BAND_PX)]
    return torch.cat((*told, _section(strips)), -1).flatten(1)


def _light(strips: Tensor, reach: int, sides: Tensor) -> Tensor:
    """The light within `reach` of the line above its sides: (B, n, len(_OF_LIGHT))."""
    light = strips[:, :, REACH_PX - reach : REACH_PX + reach + 1].mean(2) - sides
    parts = light.unflatten(2, (_PARTS, -1)).mean(3).sort(2).values
    half = parts[..., (_PARTS - 1) // 2 : _PARTS // 2 + 1].mean(2)
    told = (
        light.mean(2),
        light.median(2).values,
        parts[..., _PARTS // 4],
        parts[..., 0],
        (parts > _LIT * half[..., None]).float().mean(2),
        (light > 0).float().mean(2),
        half / (sides.std(2) + 1e-3),
    )
    return torch.stack(told, -1)


def _section(strips: Tensor) -> Tensor:
    """Height, width at half height in px, and difference of the sides of the line's median
    cross-section: (B, n, 3)."""
    section = strips.median(3).values
    base = section.sort(2).values[..., section.shape[2] // 4]
    crest = section[..., REACH_PX - 3 : REACH_PX + 4].amax(2) - base
    width = (section - base[..., None] > 0.5 * crest[..., None]).float().sum(2)
    near, far = _SIDE_PX
    left = section[..., REACH_PX - far : REACH_PX - near + 1].mean(2)
    right = section[..., REACH_PX + near : REACH_PX + far + 1].mean(2)
    return torch.stack((crest, width, (left - right).abs()), -1)
