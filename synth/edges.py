"""Where a sensor collects no sky, or too much: overscan strips, unlit corners, glowing rims, dead
columns and rows. All of it is how many files look; none of it is a fault of the night.

Strips and corners multiply the light before photon noise, so what is left in them is bias and
read noise, as on a real sensor.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Any

import numpy as np
import torch
from torch import Tensor

from synth.rng import log_uniform


@dataclass(frozen=True)
class DeadLine:
    """Part of a column (or row) that answers to light by `response` only, 1 = as others."""

    place_px: int
    first_px: int
    last_px: int
    response: float
    is_row: bool = False


@dataclass(frozen=True)
class Edges:
    """The border of one sensor, in pixels of the file."""

    left_px: int = 0  # strips without light
    right_px: int = 0
    top_px: int = 0
    bottom_px: int = 0
    rim: float = 0.0  # light at the outermost lit column over that of the middle, less 1
    rim_px: float = 2.0  # e-folding width of that rim
    rim_side: int = 0  # 0 left, 1 right, 2 top, 3 bottom
    corner: int = -1  # 0 to 3 in reading order; -1 none
    corner_x_px: float = 0.0  # legs of the dark triangle
    corner_y_px: float = 0.0
    corner_soft_px: float = 1.0
    dead: tuple[DeadLine, ...] = ()
    ramp_e: float = 0.0  # electrons that the readout adds at its first column
    ramp_px: float = 50.0  # e-folding width


def draw_edges(
    rng: np.random.Generator, width_px: int, height_px: int, sky_e: float
) -> Edges | None:
    """The border of a sensor at random: plain (None) for most, else one or two oddities.

    `sky_e` is the sky of a pixel: what the readout adds stays a few per cent of it.
    """
    kind = rng.choice(
        ["plain", "overscan", "rim", "corner", "dead", "ramp"],
        p=[0.82, 0.06, 0.03, 0.02, 0.05, 0.02],
    )
    size = min(width_px, height_px)
    if kind == "plain":
        return None
    if kind == "overscan":
        return _overscan(rng, size)
    if kind == "rim":
        return Edges(
            rim=log_uniform(rng, 0.1, 3.0),
            rim_px=log_uniform(rng, 0.7, 6.0),
            rim_side=int(rng.integers(4)),
            right_px=int(rng.integers(0, 3)),
        )
    if kind == "ramp":
        ramp_e = sky_e * log_uniform(rng, 0.01, 0.07)
        return Edges(ramp_e=ramp_e, ramp_px=log_uniform(rng, 0.005, 0.06) * width_px)
    if kind == "corner":
        return Edges(
            corner=int(rng.integers(4)),
            corner_x_px=log_uniform(rng, 0.03, 0.16) * size,
            corner_y_px=log_uniform(rng, 0.03, 0.16) * size,
            corner_soft_px=log_uniform(rng, 1.0, 0.03 * size),
        )
    dead = [_dead_line(rng, width_px, height_px) for _ in range(int(rng.choice([1, 1, 2, 4])))]
    return Edges(dead=tuple(dead))


def _overscan(rng: np.random.Generator, size_px: int) -> Edges:
    """Strips of 2 to 60 columns on one side or both, rows seldom; perhaps a first lit column
    that glows."""
    widest = max(3.0, min(60.0, 0.08 * size_px))
    left, right, top, bottom = (round(log_uniform(rng, 2, widest)) for _ in range(4))
    on = rng.random(4) < (0.55, 0.7, 0.25, 0.25)
    if not on.any():
        on[1] = True
    return Edges(
        left * int(on[0]),
        right * int(on[1]),
        top * int(on[2]),
        bottom * int(on[3]),
        rim=log_uniform(rng, 0.05, 2.0) if rng.random() < 0.3 else 0.0,
        rim_px=log_uniform(rng, 0.6, 3.0),
        rim_side=0 if on[0] else 1,
    )


def _dead_line(rng: np.random.Generator, width_px: int, height_px: int) -> DeadLine:
    is_row = bool(rng.random() < 0.15)
    across, along = (height_px, width_px) if is_row else (width_px, height_px)
    first = 0 if rng.random() < 0.4 else int(rng.integers(along))
    last = along if rng.random() < 0.7 else int(rng.integers(first, along))
    response = float(rng.choice([0.0, rng.uniform(0.5, 0.97)]))
    return DeadLine(int(rng.integers(across)), first, max(last, first + 1), response, is_row)


def darken(light: Tensor, edges: Sequence[Any]) -> None:
    """Change (B, H, W) electrons of light to what each frame's border lets through, in place."""
    height, width = light.shape[1:]
    stop = 0
    # Neighbouring frames of one sensor share its border.
    for edge, group in groupby(edges):
        start, stop = stop, stop + len(list(group))
        if edge is None:
            continue
        frames = light[start:stop]
        if edge.corner >= 0:
            _darken_corner(frames, edge)
        if edge.rim > 0:
            _brighten_rim(frames, edge)
        for line in edge.dead:
            part = slice(line.first_px, line.last_px)
            if line.is_row:
                frames[:, line.place_px, part] *= line.response
            else:
                frames[:, part, line.place_px] *= line.response
        frames[:, :, : edge.left_px] = 0
        frames[:, :, width - edge.right_px :] = 0
        frames[:, : edge.top_px] = 0
        frames[:, height - edge.bottom_px :] = 0
        if edge.ramp_e > 0:
            x_px = torch.arange(width, device=light.device)
            frames += edge.ramp_e * torch.exp(-x_px / edge.ramp_px)


def _darken_corner(frames: Tensor, edge: Edges) -> None:
    """A soft-edged dark triangle in one corner: a prism, a clip or a filter's edge."""
    height, width = frames.shape[1:]
    rows = min(height, int(edge.corner_y_px + 2 * edge.corner_soft_px) + 2)
    columns = min(width, int(edge.corner_x_px + 2 * edge.corner_soft_px) + 2)
    x = torch.arange(columns, device=frames.device, dtype=torch.float32)
    y = torch.arange(rows, device=frames.device, dtype=torch.float32)
    away = x[None] / edge.corner_x_px + y[:, None] / edge.corner_y_px - 1.0
    per_px = float(np.hypot(1 / edge.corner_x_px, 1 / edge.corner_y_px))
    open_share = (away / (per_px * edge.corner_soft_px) + 0.5).clamp(0, 1)
    bottom, right = divmod(edge.corner, 2)
    if right:
        open_share = open_share.flip(1)
    if bottom:
        open_share = open_share.flip(0)
    top, left = (height - rows) * bottom, (width - columns) * right
    frames[:, top : top + rows, left : left + columns] *= open_share


def _brighten_rim(frames: Tensor, edge: Edges) -> None:
    """The outermost lit columns or rows collect the charge of what lies beyond them."""
    wide = max(2, int(6 * edge.rim_px))
    gain = 1 + edge.rim * torch.exp(-torch.arange(wide, device=frames.device) / edge.rim_px)
    height, width = frames.shape[1:]
    if edge.rim_side < 2:
        inset = edge.left_px if edge.rim_side == 0 else edge.right_px
        wide = min(wide, width - inset)
        start = inset if edge.rim_side == 0 else width - inset - wide
        shape = gain[:wide] if edge.rim_side == 0 else gain[:wide].flip(0)
        frames[:, :, start : start + wide] *= shape
        return
    inset = edge.top_px if edge.rim_side == 2 else edge.bottom_px
    wide = min(wide, height - inset)
    start = inset if edge.rim_side == 2 else height - inset - wide
    shape = gain[:wide] if edge.rim_side == 2 else gain[:wide].flip(0)
    frames[:, start : start + wide] *= shape[:, None]
