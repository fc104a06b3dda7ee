"""From expected electrons to the numbers in the file: noise, dark current, wells, converter.

All in torch, batched over frames of one shape. Parameters are (B,) tensors.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import torch
import torch.nn.functional as F
from torch import Tensor


@dataclass(frozen=True)
class Readout:
    """Sensor numbers of B frames, each (B,). Row and column noise are sigmas of whole lines."""

    gain_e_adu: Tensor
    read_noise_e: Tensor
    offset_adu: Tensor
    full_well_e: Tensor
    top_adu: Tensor
    prnu: Tensor
    blooms: Tensor
    row_noise_e: Tensor | None = None
    column_noise_e: Tensor | None = None


def spill(electrons: Tensor, full_well_e: Tensor, blooms: Tensor, passes: int = 24) -> Tensor:
    """Charge over the full well runs along the column (CCD), half up and half down."""
    full = (electrons > full_well_e[:, None, None]).any(1) & blooms[:, None]
    frame, column = torch.nonzero(full, as_tuple=True)
    if len(frame) == 0:
        return electrons
    lines, well = electrons[frame, :, column], full_well_e[frame, None]
    for _ in range(passes):
        over = (lines - well).clamp_min(0)
        up, down = F.pad(over[:, 1:], (0, 1)), F.pad(over[:, :-1], (1, 0))
        lines = lines - over + 0.5 * (up + down)
    out = electrons.clone()
    out[frame, :, column] = lines
    return out


def smear(light: Tensor, shares: Sequence[float]) -> None:
    """Light that falls while the charge moves down its column, (B, H, W) electrons, in place.

    Every pixel of a column collects `share` of the column's mean light: bright stars draw faint
    lines from edge to edge. Sensors with a shutter have none.
    """
    for frame, share in zip(light, shares, strict=True):
        if share > 0:
            frame += share * frame.mean(0, keepdim=True)


def read_out(expected_e: Tensor, readout: Readout, generator: torch.Generator) -> Tensor:
    """(B, H, W) expected electrons, dark included -> ADU as whole numbers, float32.

    Shot noise is Poisson; pixel response differs by `prnu`; read noise is Gaussian, perhaps with
    offsets of whole rows and columns; the converter rounds and clips at its top.
    """

    def wide(values: Tensor) -> Tensor:
        return values[:, None, None]

    response = 1 + wide(readout.prnu) * torch.randn(
        expected_e.shape[1:], generator=generator, device=expected_e.device
    )
    counted = torch.poisson(expected_e.clamp_min(0) * response, generator=generator)
    counted = spill(counted, readout.full_well_e, readout.blooms)
    counted = torch.minimum(counted, wide(readout.full_well_e))
    counted += wide(readout.read_noise_e) * torch.randn(
        expected_e.shape, generator=generator, device=expected_e.device
    )
    for noise_e, axis in ((readout.row_noise_e, 1), (readout.column_noise_e, 2)):
        if noise_e is not None and bool((noise_e > 0).any()):
            counted += wide(noise_e) * _lines(counted, axis, generator)
    adu = (counted / wide(readout.gain_e_adu) + wide(readout.offset_adu)).round_()
    return torch.minimum(adu.clamp_min_(0), wide(readout.top_adu))


def _lines(like: Tensor, axis: int, generator: torch.Generator) -> Tensor:
    """Offsets of rows (axis 1, new in every frame) or columns (axis 2, the same in all): rms 1.

    Half of the variance is white from line to line, half in bands some 24 lines wide.
    """
    frames, count = (len(like), like.shape[1]) if axis == 1 else (1, like.shape[2])
    coarse = max(2, count // 24)
    fine = torch.randn(frames, 1, count, generator=generator, device=like.device)
    bands = torch.randn(frames, 1, coarse, generator=generator, device=like.device)
    # Linear interpolation between independent nodes keeps two thirds of their variance.
    bands = F.interpolate(bands, count, mode="linear", align_corners=False) * 1.5**0.5
    offsets = ((fine + bands) / 2**0.5)[:, 0]
    return offsets[:, :, None] if axis == 1 else offsets[:, None, :]
