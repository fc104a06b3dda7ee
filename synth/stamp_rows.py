"""Stamps of stars kept so that tiles are weighted sums of their rows.

A tile's row is, for every star that lights it, a piece of a row of that star's stamp. A GPU sums
such pieces as it reads them, which is what embedding bags are for: no star's light is written down
before it is added, which takes a tenth of the traffic in memory.
"""

import torch
import torch.nn.functional as F
from torch import Tensor

from synth.psf import fading
from synth.starlight import STAMP_PX

AT_ONCE_PX = 1 << 25  # of stars laid down together: bounds the memory


def put_phases(light: Tensor, into: Tensor, over: int) -> None:
    """Write the stamps of all sub-pixel phases of fine light (B, Z, 64 over, 64 over) of sum 1 into
    zeros (B, Z, over, over, 64, pitch).

    They are those of `psf.phase_stamps`, the last phase first down and along, so that one copy does
    it: the phase a is for a star a / over right of a pixel's centre, whose pixel c has the fine
    place c over - a. The rims stay zero.
    """
    axis = torch.arange(1, STAMP_PX - 1, device=light.device) - STAMP_PX // 2
    fade = fading(axis, STAMP_PX) * over**2
    inner = slice(1, 1 + over * (STAMP_PX - 2))
    fine = light[..., inner, inner].unflatten(-1, (-1, over)).unflatten(-3, (-1, over))
    rim = slice(1, STAMP_PX - 1)
    torch.mul(fine.permute(0, 1, 3, 5, 2, 4), fade, out=into[..., rim, rim])


def laid_by_pixels(
    stamps: Tensor,
    pitch: int,
    origin: Tensor,
    side: int,
    stars: tuple[Tensor, ...],
    planes: Tensor | None,
) -> Tensor:
    """What `laid_in_rows` gives, for any pitch; without GPU."""
    steps = torch.arange(side, device=origin.device)
    tiles = torch.zeros(*origin.shape[:2], side, side, device=origin.device)
    each = tiles.view(-1, side, side)
    used = torch.nonzero(stars[3] > 0)
    for part in used.split(max(1, AT_ONCE_PX // side**2)):
        at = part.unbind(1)
        first, left, top, flux = (of[at] for of in stars)
        corner = origin[at[:2]]
        # The stamps' rims hold zeros.
        column = ((corner[:, 0] - left)[:, None] + steps).clamp(0, STAMP_PX - 1)
        row = ((corner[:, 1] - top)[:, None] + steps).clamp(0, STAMP_PX - 1)
        lines = first[:, None] + (row + 1) * pitch
        # Half the memory of longer numbers; a batch's stamps have far fewer than 2^31 pixels.
        place = lines.int()[..., None] + column.int()[:, None]
        light = stamps.index_select(0, place.flatten()).view(place.shape)
        light *= flux[:, None, None]
        if planes is not None:
            share = planes[at].view(-1, 1, 2, 1, 2)
            light = (light.view(-1, side // 2, 2, side // 2, 2) * share).view_as(light)
        each.index_add_(0, at[0] * origin.shape[1] + at[1], light)
    return tiles


def laid_in_rows(
    stamps: Tensor,
    pitch: int,
    origin: Tensor,
    side: int,
    stars: tuple[Tensor, ...],
    planes: Tensor | None,
) -> Tensor:
    """Tiles (b, n, side, side) as weighted sums of rows of stamps.

    stamps: a row of zeros and what `put_phases` wrote, pitch at least 64 + side. stars: number of
    the stamp's first pixel among those written, left and top edge, electrons, each (b, n, k).
    planes: (b, n, k, 4) shares of the mosaic's places, None = all of it everywhere.
    """
    first, left, top, flux = stars
    b, n, k = first.shape
    steps = torch.arange(side, device=origin.device)[:, None]
    # The stamps' rims hold zeros, as does what lies between their rows.
    row = (origin[..., 1, None, None] + steps - top[:, :, None]).clamp(0, STAMP_PX - 1)
    column = (origin[..., 0, None] - left).clamp(1 - side, STAMP_PX - 1)
    start = ((first + column + pitch)[:, :, None] + row * pitch).int().view(-1, k)
    every = stamps.as_strided((stamps.numel() - side + 1, side), (1, 1))
    if planes is None:
        weight = flux[:, :, None].expand(-1, -1, side, -1).reshape(-1, k)
        return _weighed(start, every, weight).view(b, n, side, side)
    # The mosaic takes turns along rows, too: even columns and odd ones are summed apart.
    share = flux[..., None] * planes
    parts = []
    for odd in (0, 1):
        two = torch.stack((share[..., odd], share[..., 2 + odd]), 2)
        weight = two.repeat(1, 1, side // 2, 1).view(-1, k)
        parts.append(_weighed(start + odd, every[:, ::2], weight))
    return torch.stack(parts, 2).view(b, n, side, side)


def _weighed(start: Tensor, rows: Tensor, weight: Tensor) -> Tensor:
    return F.embedding_bag(start, rows, mode="sum", per_sample_weights=weight)


def gathered(
    stamps: Tensor,
    pitch: int,
    origin: Tensor,
    side: int,
    stars: tuple[Tensor, ...],
    planes: Tensor | None,
    empty: Tensor,
) -> Tensor:
    """What `laid_in_rows` gives, above `empty` (b, 4) electrons at the mosaic's places.

    For torch's compiler: one pass, in which every pixel fetches the light of its stars.
    """
    first, left, top, flux = (each.unbind(2) for each in stars)
    x, y = (origin[..., axis].int()[..., None] for axis in (0, 1))
    steps = torch.arange(side, device=origin.device, dtype=torch.int32)
    place = 2 * (steps % 2)[:, None] + steps % 2
    light = empty[:, None, place]
    for k, electrons in enumerate(flux):
        # The stamps' rims hold zeros.
        row = (y - top[k].int()[..., None] + steps).clamp(0, STAMP_PX - 1)
        column = (x - left[k].int()[..., None] + steps).clamp(0, STAMP_PX - 1)
        line = first[k].int()[..., None] + (row + 1) * pitch
        weight = electrons[..., None, None]
        if planes is not None:
            weight = weight * planes[:, :, k][..., place]
        light = light + weight * stamps[line[..., None] + column[..., None, :]]
    return light
