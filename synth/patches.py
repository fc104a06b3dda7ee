"""How parameters of a batch become pictures: stacking, and painting inside boxes only.

Every map function of the generator takes one parameter set per frame (None = the effect is
absent) and returns float32 [B, h, w]. `columns` stacks plain numbers into [B, 1, 1] tensors;
`item_table` does the same for effects made of several items (motes, ghosts, galaxies); `boxes`
picks the windows of pixels that items can reach, those of one size together, so a 12 px
shadow does not cost a pass over 26 Mpx.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from dataclasses import fields as fields_of
from operator import attrgetter
from typing import Any

import numpy as np
import torch
from torch import Tensor
from torch.nn.functional import grid_sample

from synth.transfer import moved


def columns(
    params: Sequence[Any], names: Sequence[str], neutral: float, like: Tensor
) -> tuple[Tensor, ...]:
    """One float32 [B, 1, 1] tensor per name, on the device of `like`; absent = `neutral`."""
    table = np.full((len(names), len(params)), neutral, dtype=np.float32)
    for b, p in enumerate(params):
        if p is not None:
            table[:, b] = [getattr(p, name) for name in names]
    stacked = moved(table, like.device)
    return tuple(stacked[:, :, None, None])


def item_table(items: Sequence[Sequence[Any]], fields: int) -> np.ndarray:
    """Float64 [B, K, fields]: the items (dataclasses of numbers) of every frame, padded by NaN."""
    most = max((len(frame) for frame in items), default=0)
    table = np.full((len(items), most, fields), np.nan)
    for b, frame in enumerate(items):
        for k, item in enumerate(frame):
            table[b, k] = numbers_of(item)
    return table


def numbers_of(item: Any) -> tuple[float, ...]:
    """The fields of a dataclass of numbers; `dataclasses.astuple` copies each with care, which
    takes ten times as long."""
    kind = type(item)
    if kind not in _getters:
        _getters[kind] = attrgetter(*(entry.name for entry in fields_of(kind)))
    return _getters[kind](item)


_getters: dict[type, Callable[[Any], tuple[float, ...]]] = {}


@dataclass
class Box:
    """Windows of several items: `x` [n, 1, nx], `y` [n, ny, 1] and where they lie."""

    x: Tensor
    y: Tensor
    values: tuple[Tensor, ...]  # the items' fields, each [n, 1, 1]
    place: Tensor  # [n, ny, nx] flat numbers in the [B, h, w] map

    def add_to(self, out: Tensor, light: Tensor) -> None:
        """Add `light` [n, ny, nx] to the map `out` [B, h, w], in place."""
        out.view(-1).index_add_(0, self.place.flatten(), light.expand(self.place.shape).flatten())


# Boxes are gathered by size, so that a few launches do for all items of a batch.
_SIZES = (16, 32, 64, 128, 256, 512, 1 << 30)
_MOST_PIXELS = 1 << 24


@dataclass(frozen=True)
class _Axis:
    """A regular axis of pixels, on the host."""

    first: float
    step: float
    count: int

    @classmethod
    def between(cls, first: float, last: float, count: int) -> "_Axis":
        return cls(first, (last - first) / max(count - 1, 1) or 1.0, count)

    def start(self, low: np.ndarray, size: int) -> np.ndarray:
        """First of `size` neighbouring indices from the coordinate `low` on.

        A window that hangs over an edge is pushed inside: it still covers what can be seen.
        """
        number = np.floor((low - self.first) / self.step).astype(np.int64)
        return np.clip(number, 0, self.count - size)


def boxes(table: np.ndarray, reach_px: np.ndarray, x_px: Tensor, y_px: Tensor) -> Iterator[Box]:
    """The windows of pixels that items can reach, gathered by size.

    Args:
        table: [B, K, F] from `item_table`; fields 0 and 1 are the item's centre in pixels.
        reach_px: [B, K] half size of the square that holds the item, NaN where there is none.
        x_px, y_px: regular pixel coordinates of the wanted map, [w] and [h].
    """
    frames, items = np.nonzero(np.isfinite(reach_px))
    if len(frames) == 0:
        return
    rows, reach = table[frames, items], reach_px[frames, items]
    # One wait for the device, not one for each number.
    left, right, top, bottom = torch.stack((x_px[0], x_px[-1], y_px[0], y_px[-1])).tolist()
    x_axis = _Axis.between(left, right, x_px.numel())
    y_axis = _Axis.between(top, bottom, y_px.numel())
    wide, high = x_axis.count, y_axis.count
    need = np.ceil(2 * reach / min(x_axis.step, y_axis.step)) + 2
    for smaller, size in zip((0, *_SIZES), _SIZES, strict=False):
        chosen = np.flatnonzero((need > smaller) & (need <= size))
        nx, ny = min(size, wide), min(size, high)
        block = max(1, _MOST_PIXELS // (nx * ny))
        for part in (chosen[i : i + block] for i in range(0, len(chosen), block)):
            left = x_axis.start(rows[part, 0] - reach[part], nx)
            top = y_axis.start(rows[part, 1] - reach[part], ny)
            numbers = moved(np.stack((frames[part], left, top)), x_px.device)
            fields = moved(rows[part].astype(np.float32), x_px.device)
            ix = numbers[1][:, None] + torch.arange(nx, device=x_px.device)
            iy = numbers[2][:, None] + torch.arange(ny, device=x_px.device)
            yield Box(
                x=x_px[ix][:, None, :],
                y=y_px[iy][:, :, None],
                values=tuple(fields[:, :, None, None].unbind(1)),
                place=(numbers[0][:, None, None] * high + iy[:, :, None]) * wide + ix[:, None, :],
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
    out = torch.zeros((len(params), y_px.numel(), x_px.numel()), device=x_px.device)
    chosen = [b for b, grid in enumerate(grids) if grid is not None]
    if not chosen:
        return out
    table = np.stack([np.asarray(grids[b], np.float32) for b in chosen])[:, None]
    size, shape = table.shape[-1], (len(chosen), *out.shape[1:])
    params = [params[b] for b in chosen]
    x0, y0, reach = columns(params, ("x_px", "y_px", "reach_px"), 1.0, x_px)
    # align_corners: node i of the grid sits at x_px + i * reach_px / size.
    to_unit = 2.0 * size / ((size - 1) * reach)
    u = (x_px[None, None, :] - x0) * to_unit - 1.0
    v = (y_px[None, :, None] - y0) * to_unit - 1.0
    where = torch.stack((u.expand(shape), v.expand(shape)), dim=-1)
    light = moved(table, x_px.device)
    picked = grid_sample(light, where, mode="bicubic", padding_mode="border", align_corners=True)
    out[moved(np.array(chosen), x_px.device)] = picked[:, 0]
    return out
