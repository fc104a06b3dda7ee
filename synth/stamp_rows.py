"""Stamps of stars kept so that tiles are weighted sums of their rows.

A tile's row is, for every star that lights it, a piece of a row of that star's stamp. A GPU sums
such pieces as it reads them, which is what embedding bags are for: no star's light is written down
before it is added, which takes a tenth of the traffic in memory.
"""

import torch
import torch.nn.functional as F
from torch import Tensor

from synth.starlight import STAMP_PX


def put_in_rows(stamps: Tensor, into: Tensor, pitch: int) -> None:
    """Write stamps (..., 64, 64) into a list of zeros, each of their rows `pitch` from the last."""
    into.view(-1, pitch)[:, :STAMP_PX] = stamps.flatten(0, -2)


def laid_in_rows(
    stamps: Tensor,
    pitch: int,
    origin: Tensor,
    side: int,
    stars: tuple[Tensor, ...],
    planes: Tensor | None,
) -> Tensor:
    """Tiles (b, n, side, side) as weighted sums of rows of stamps.

    stamps: a row of zeros and what `put_in_rows` wrote, pitch at least 64 + side. stars: number of
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
