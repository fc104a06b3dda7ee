"""From expected electrons to the numbers in the file: noise, dark current, wells, converter.

All in torch, batched over frames of one shape. Parameters are (B,) tensors.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby

import numpy as np
import torch
import torch.nn.functional as F
from torch import Tensor

from synth.compiled import made
from synth.rng import torch_stream
from synth.shot_noise import counted_fast
from synth.transfer import moved


@dataclass(frozen=True)
class Readout:
    """Sensor numbers of B frames, each (B,). Row and column noise are sigmas of whole lines.
    spill_up: share of what a full well spills that goes up its column. blooms, column_noise_e: on
    the host, so that frames without are known without asking the device.

    sensor: which sensor took each frame, as a seed: its pixels' response and its columns' offsets
    are the same in all its frames, whenever they are read. None: one sensor, new at every call.
    """

    gain_e_adu: Tensor
    read_noise_e: Tensor
    offset_adu: Tensor
    full_well_e: Tensor
    top_adu: Tensor
    prnu: Tensor
    blooms: Tensor
    row_noise_e: Tensor | None = None
    column_noise_e: Tensor | None = None
    sensor: Sequence[int] | None = None
    spill_up: Tensor | None = None


def spill(
    electrons: Tensor,
    full_well_e: Tensor,
    blooms: Tensor,
    passes: int = 24,
    up_share: Tensor | None = None,
    is_fused: bool = False,
) -> Tensor:
    """Charge over the full well runs along the column (CCD), `up_share` (B,) of it up and the rest
    down; half and half where it is not given. is_fused: see `synth.compiled`."""
    full = (electrons > full_well_e[:, None, None]).any(1) & blooms[:, None]
    frame, column = torch.nonzero(full, as_tuple=True)
    if len(frame) == 0:
        return electrons
    lines, well = electrons[frame, :, column].T.contiguous(), full_well_e[frame]
    upward = 0.5 if up_share is None else up_share[frame]
    lines = made(_along, is_fused)(lines - well, upward, passes) + well
    out = electrons.clone()
    out[frame, :, column] = lines.T
    return out


def _along(excess: Tensor, upward: Tensor | float, passes: int) -> Tensor:
    """Charge over the well (n, k) of k columns, `upward` of what is too much going on to the pixel
    before, `passes` times."""
    for _ in range(passes):
        over = excess.clamp_min(0)
        excess = excess.clamp_max(0)
        excess[:-1] += upward * over[1:]
        excess[1:] += (1 - upward) * over[:-1]
    return excess


def smear(light: Tensor, shares: Sequence[float]) -> None:
    """Light that falls while the charge moves down its column, (B, H, W) electrons, in place.

    Every pixel of a column collects `share` of the column's mean light: bright stars draw faint
    lines from edge to edge. Sensors with a shutter have none.
    """
    for frame, share in zip(light, shares, strict=True):
        if share > 0:
            frame += share * frame.mean(0, keepdim=True)


def drag(light: Tensor, tails: Sequence[tuple[float, float, int]]) -> None:
    """Charge that is left behind as it moves to the amplifier, (B, H, W) electrons, in place.

    Of each tail (share, length_px, axis) the share of a pixel's charge comes out late, spread over
    the pixels read after it as an exponential; axis 0 is along the columns, 1 along the rows.
    """
    for frame, (share, length_px, axis) in zip(light, tails, strict=True):
        if share > 0:
            steps = torch.arange(1, int(5 * length_px) + 1, device=light.device)
            weight = torch.exp(-steps / length_px)
            lines = frame.T if axis == 0 else frame
            padded = F.pad(lines[:, None], (len(steps), 0), mode="replicate")[..., :-1]
            # A convolution slides its kernel unturned: the last weight meets the nearest pixel.
            late = F.conv1d(padded, (weight / weight.sum()).flip(0)[None, None])[:, 0]
            lines += share * (late - lines)


def read_out(expected_e: Tensor, readout: Readout, generator: torch.Generator) -> Tensor:
    """(B, H, W) expected electrons, dark included -> ADU as whole numbers, float32.

    Shot noise is Poisson; pixel response differs by `prnu`; read noise is Gaussian, perhaps with
    offsets of whole rows, new in every frame, and columns, fixed; the converter rounds and clips
    at its top.
    """

    def wide(values: Tensor) -> Tensor:
        return values[:, None, None]

    counted = expected_e.clamp_min(0)
    for part, own in _sensors(readout, len(counted), counted.device, generator, "response"):
        pattern = torch.randn(counted.shape[1:], generator=own, device=counted.device)
        counted[part] *= 1 + wide(readout.prnu[part]) * pattern
    counted = _counted(counted, generator)
    _spill_some(counted, readout)
    counted = torch.minimum(counted, wide(readout.full_well_e))
    counted += wide(readout.read_noise_e) * torch.randn(
        expected_e.shape, generator=generator, device=expected_e.device
    )
    if readout.row_noise_e is not None:
        offsets = _lines(len(counted), counted.shape[1], generator)
        counted += (readout.row_noise_e[:, None] * offsets)[:, :, None]
    if readout.column_noise_e is not None:
        for part, own in _sensors(readout, len(counted), counted.device, generator, "columns"):
            sigma_e = readout.column_noise_e[part]
            if float(sigma_e.max()) > 0:
                offsets = _lines(1, counted.shape[2], own)
                counted[part] += (moved(sigma_e.numpy(), counted.device)[:, None] * offsets)[
                    :, None
                ]
    adu = (counted / wide(readout.gain_e_adu) + wide(readout.offset_adu)).round_()
    return torch.minimum(adu.clamp_min_(0), wide(readout.top_adu))


def _counted(light_e: Tensor, generator: torch.Generator) -> Tensor:
    """Whole electrons, of expected ones."""
    if light_e.device.type == "cpu":
        return torch.poisson(light_e, generator=generator)
    return counted_fast(light_e, generator)


def _spill_some(counted: Tensor, readout: Readout) -> None:
    """`spill` for the frames whose wells do, in place."""
    rows = np.flatnonzero(readout.blooms.cpu().numpy())
    if len(rows) == 0:
        return
    at = moved(rows, counted.device)
    up_share = None if readout.spill_up is None else readout.spill_up[at]
    every = torch.ones(len(rows), dtype=torch.bool, device=counted.device)
    counted[at] = spill(counted[at], readout.full_well_e[at], every, up_share=up_share)


def _sensors(
    readout: Readout, frames: int, device: torch.device, generator: torch.Generator, name: str
) -> Iterator[tuple[slice, torch.Generator]]:
    """Neighbouring frames of one sensor, with the random stream that belongs to it."""
    if readout.sensor is None:
        yield slice(0, frames), generator
        return
    start = 0
    for seed, group in groupby(readout.sensor):
        stop = start + len(list(group))
        yield slice(start, stop), torch_stream(device, seed, name)
        start = stop


def _lines(frames: int, count: int, generator: torch.Generator) -> Tensor:
    """(frames, count) offsets of rows or columns, rms 1.

    Of the variance a third on average is one step somewhere, as between halves that two amplifiers
    read, or where something switches while the rows are read; half of the rest is white from line
    to line, half in bands some 24 lines wide.
    """
    coarse, device = max(2, count // 24), generator.device
    fine = torch.randn(frames, count, generator=generator, device=device)
    bands = torch.randn(frames, 1, coarse, generator=generator, device=device)
    # Linear interpolation between independent nodes keeps two thirds of their variance.
    bands = F.interpolate(bands, count, mode="linear", align_corners=False) * 1.5**0.5
    draws = torch.rand(frames, 3, generator=generator, device=device)
    # The mean of u^2 is a third.
    share, place = draws[:, :1] ** 2, 0.1 + 0.8 * draws[:, 1:2]
    is_after = (torch.arange(count, device=device) + 0.5) / count > place
    # A two-valued offset of mean 0 and variance 1.
    step = torch.where(is_after, (place / (1 - place)).sqrt(), -((1 - place) / place).sqrt())
    step = torch.where(draws[:, 2:] < 0.5, step, -step)
    return ((1 - share) / 2).sqrt() * (fine + bands[:, 0]) + share.sqrt() * step
