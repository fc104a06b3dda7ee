"""How parameters of a batch become pictures: stacking, and painting inside boxes only.

Every map function of the generator takes one parameter set per frame (None = the effect is
absent) and returns float32 [B, h, w]. `columns` stacks plain numbers into [B, 1, 1] tensors;
`item_table` does the same for effects made of several items (motes, ghosts, galaxies); `boxes`
picks, for item k of every frame at once, the window of pixels that it can reach, so a 12 px
shadow does not cost a pass over 26 Mpx.
"""

from collections.abc import Iterator, Sequence
from dataclasses import astuple, dataclass
from typing import Any

import numpy as np
import torch
from torch import Tensor
from torch.nn.functional import grid_sample


def columns(
    params: Sequence[Any], names: Sequence[str], neutral: float, like: Tensor
) -> tuple[Tensor, ...]:
    """One float32 [B, 1, 1] tensor per name, on the device of `like`; absent = `neutral`."""
    table = np.full((len(names), len(params)), neutral, dtype=np.float32)
    for b, p in enumerate(params):
        if p is not None:
            table[:, b] = [getattr(p, name) for name in names]
    stacked = torch.from_numpy(table).to(like.device)
    return tuple(stacked[:, :, None, None])


def item_table(items: Sequence[Sequence[Any]], fields: int) -> np.ndarray:
    """Float64 [B, K, fields]: the items (dataclasses of numbers) of every frame, padded by NaN."""
    most = max((len(frame) for frame in items), default=0)
    table = np.full((len(items), most, fields), np.nan)
    for b, frame in enumerate(items):
        for k, item in enumerate(frame):
            table[b, k] = astuple(item)
    return table


@dataclass
class Box:
    """The windows of item k in all frames: `x` [B, 1, nx], `y` [B, ny, 1] and where they lie."""

    x: Tensor
    y: Tensor
    values: tuple[Tensor, ...]  # the item's fields, each [B, 1, 1]
    index: tuple[Tensor, Tensor, Tensor]  # picks [B, ny, nx] out of a [B, h, w] map


def _window(axis_px: Tensor, low: np.ndarray, high: np.ndarray) -> Tensor:
    """Long [B, n]: n neighbouring indices per frame that cover [low, high] on a regular axis."""
    count = axis_px.numel()
    first = float(axis_px[0])
    step = (float(axis_px[-1]) - first) / max(count - 1, 1) or 1.0
    start = np.floor((low - first) / step).astype(np.int64)
    size = int(np.clip(np.ceil((high - low) / step).max() + 2, 1, count))
    # A window that hangs over an edge is pushed inside: it still covers what can be seen.
    start = np.clip(start, 0, count - size)
    starts = torch.from_numpy(start).to(axis_px.device)
    return starts[:, None] + torch.arange(size, device=axis_px.device)


def boxes(table: np.ndarray, reach_px: np.ndarray, x_px: Tensor, y_px: Tensor) -> Iterator[Box]:
    """The windows of items 0, 1, ... of every frame, the largest of each frame first.

    Args:
        table: [B, K, F] from `item_table`; fields 0 and 1 are the item's centre in pixels.
        reach_px: [B, K] half size of the square that holds the item, NaN where there is none.
        x_px, y_px: regular pixel coordinates of the wanted map, [w] and [h].

    Frames without a k-th item get a zero-valued item at the origin; callers give every item an
    amplitude field so that zero means no effect.
    """
    if table.shape[1] == 0:
        return
    order = np.argsort(-np.nan_to_num(reach_px, nan=-1.0), axis=1)
    table = np.nan_to_num(np.take_along_axis(table, order[:, :, None], 1))
    reach = np.nan_to_num(np.take_along_axis(reach_px, order, 1))
    batch = torch.arange(len(table), device=x_px.device)[:, None, None]
    fields = torch.from_numpy(table.astype(np.float32)).to(x_px.device)
    for k in range(table.shape[1]):
        centre_x, centre_y, half = table[:, k, 0], table[:, k, 1], reach[:, k]
        ix = _window(x_px, centre_x - half, centre_x + half)
        iy = _window(y_px, centre_y - half, centre_y + half)
        yield Box(
            x=x_px[ix][:, None, :],
            y=y_px[iy][:, :, None],
            values=tuple(fields[:, k, :, None, None].unbind(1)),
            index=(batch, iy[:, :, None], ix[:, None, :]),
        )


def soft_step(value: Tensor, width: Tensor) -> Tensor:
    """0 below -width/2, 1 above width/2, a smooth cubic between; `value`, `width` in pixels."""
    t = (value / width.clamp(min=1e-3) + 0.5).clamp(0.0, 1.0)
    return t * t * (3.0 - 2.0 * t)


def sample_grids(
    grids: Sequence[np.ndarray | None], params: Sequence[Any], x_px: Tensor, y_px: Tensor
) -> Tensor:
    """Smooth pictures kept as small square grids, sampled by bicubic interpolation: [B, h, w].

    Each grid is float [n, n] (one n per batch). Its node (0, 0) lies at (x_px, y_px) of that
    frame's parameters and it covers `reach_px` pixels on each axis. None gives zeros.
    """
    size = max((g.shape[0] for g in grids if g is not None), default=0)
    shape = (len(params), y_px.numel(), x_px.numel())
    if size == 0:
        return torch.zeros(shape, device=x_px.device)
    table = np.zeros((len(grids), 1, size, size), dtype=np.float32)
    for b, grid in enumerate(grids):
        if grid is not None:
            table[b, 0] = grid
    x0, y0, reach = columns(params, ("x_px", "y_px", "reach_px"), 1.0, x_px)
    # align_corners: node i of the grid sits at x_px + i * reach_px / size.
    to_unit = 2.0 * size / ((size - 1) * reach)
    u = (x_px[None, None, :] - x0) * to_unit - 1.0
    v = (y_px[None, :, None] - y0) * to_unit - 1.0
    where = torch.stack((u.expand(shape), v.expand(shape)), dim=-1)
    light = torch.from_numpy(table).to(x_px.device)
    picked = grid_sample(light, where, mode="bicubic", padding_mode="border", align_corners=True)
    return picked[:, 0]
