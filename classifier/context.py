"""A frame beside its run: the numbers that only make sense against the neighbours.

Four pixels wide is good seeing on one rig and a ruined sub on another. The context says how a
frame's stars and sky stand against the best of its own run, against its middle and against the
subs before and after, in the network's own measure of them, so that training and labelling see
the same thing. To these numbers come the features of its company, the middle of what the network
makes of all subs of the run.
"""

from collections.abc import Sequence
from typing import Any

import torch
import torch.nn.functional as F
from torch import Tensor

from classifier.sheet import SHAPE_FACTS

# What a frame is compared in with the best of its run.
FIRST: tuple[str, ...] = (
    "log_fwhm_over_best",
    "log_hfr_over_best",
    "log_star_count_over_best",
    "log_star_flux_over_best",
    "log_sky_over_lowest",
    "log_noise_over_lowest",
    "stretch_cos_from_run",
    "stretch_sin_from_run",
    "stretch_cos_of_run",
    "stretch_sin_of_run",
    "scatter_of_stretch",
    "dip_from_run",
    "lopsided_from_run",
)
# The shapes in which it is compared with the run's middle, beside how far the subs of the run lie
# from that, half of them farther: 0.1 mag of haze is much among subs that agree to 0.01.
# Not in the direction of its stars' stretch, of which FIRST tells, nor in what all subs have alike.
_NOT_COMPARED = ("stretch_cos", "stretch_sin", "log_cut_binning", "log_width_px", "log_height_px")
FROM_MIDDLE: tuple[str, ...] = tuple(name for name in SHAPE_FACTS if name not in _NOT_COMPARED)
# And those in which it is compared with the subs next to it in time: the way of the field down to
# the horizon dims the stars from one end of a night to the other, a cloud between two subs.
FROM_NEXT: tuple[str, ...] = (
    "log_fwhm_px",
    "log_star_count",
    "log_star_flux",
    "log_sky",
    "log_noise",
)
CONTEXT: tuple[str, ...] = (
    *FIRST,
    *(f"{name}_from_middle" for name in FROM_MIDDLE),
    *(f"{name}_scatter" for name in FROM_MIDDLE),
    *(f"{name}_from_next" for name in FROM_NEXT),
)
# Subs before and after that count as next to one.
NEXT = 2

# With fewer frames there is no run to speak of.
SMALLEST_RUN = 3
_COLUMN = {name: i for i, name in enumerate(SHAPE_FACTS)}


def run_context(shapes: Tensor) -> Tensor:
    """(..., N, len(SHAPE_FACTS)), runs of N frames in the order of their exposure -> (..., N,
    len(CONTEXT)); NaN if too short."""
    if shapes.shape[-2] < SMALLEST_RUN:
        return shapes.new_full((*shapes.shape[:-1], len(CONTEXT)), float("nan"))
    compared = shapes[..., [_COLUMN[name] for name in FROM_MIDDLE]]
    away = compared - compared.median(-2, keepdim=True).values
    scatter = away.abs().median(-2, keepdim=True).values.expand(away.shape)
    beside = _from_next(shapes[..., [_COLUMN[name] for name in FROM_NEXT]])
    return torch.cat((_from_best(shapes), away, scatter, beside), -1)


def _from_next(numbers: Tensor) -> Tensor:
    """(..., N, k) numbers -> the same less the median of up to NEXT frames before and after."""
    frames = numbers.shape[-2]
    padded = F.pad(numbers, (0, 0, NEXT, NEXT), value=torch.nan)
    offsets = [place for place in range(2 * NEXT + 1) if place != NEXT]
    near = torch.stack([padded[..., place : place + frames, :] for place in offsets])
    return numbers - near.nanquantile(0.5, dim=0)


def _from_best(shapes: Tensor) -> Tensor:
    """(..., N, len(SHAPE_FACTS)) -> (..., N, len(FIRST))."""
    frames = shapes.shape[-2]
    ordered = shapes.sort(-2).values
    median = ordered[..., (frames - 1) // 2, :]

    def column(name: str) -> Tensor:
        return shapes[..., _COLUMN[name]]

    def over(name: str, share: float) -> Tensor:
        place = share * (frames - 1)
        low = min(int(place), frames - 2)
        values = ordered[..., _COLUMN[name]]
        best = torch.lerp(values[..., low], values[..., low + 1], place - low)
        return column(name) - best[..., None]

    def middle(name: str) -> Tensor:
        return median[..., _COLUMN[name], None].expand(shapes.shape[:-1])

    # A pull that lasts stretches all subs alike; a shake comes and goes.
    away = torch.hypot(
        column("stretch_cos") - middle("stretch_cos"), column("stretch_sin") - middle("stretch_sin")
    )
    scatter = away.median(-1, keepdim=True).values.expand(shapes.shape[:-1])
    return torch.stack(
        (
            over("log_fwhm_px", 0.1),
            over("log_hfr_px", 0.1),
            over("log_star_count", 0.9),
            over("log_star_flux", 0.9),
            over("log_sky", 0.1),
            over("log_noise", 0.1),
            column("stretch_cos") - middle("stretch_cos"),
            column("stretch_sin") - middle("stretch_sin"),
            middle("stretch_cos"),
            middle("stretch_sin"),
            scatter,
            over("dip", 0.9),
            over("lopsided", 0.1),
        ),
        -1,
    )


def run_company(features: Tensor) -> Tensor:
    """(..., N, D) features of runs of N frames -> (..., N, D) their median over the run, the same
    for each of its frames; NaN if the run is too short."""
    if features.shape[-2] < SMALLEST_RUN:
        return torch.full_like(features, torch.nan)
    return features.median(-2, keepdim=True).values.expand(features.shape)


def beside_run(shapes: Tensor, features: Tensor, order: Sequence[int]) -> Tensor:
    """What `Network.judge` takes as context: `run_context` of the shapes, then `run_company`.

    shapes (N, len(SHAPE_FACTS)), features (N, D) of the N frames of a run; order: their numbers,
    earliest first -> (N, len(CONTEXT) + D); NaN if too short.
    """
    numbers = shapes.new_empty(len(shapes), len(CONTEXT))
    numbers[list(order)] = run_context(shapes[list(order)])
    return torch.cat((numbers, run_company(features).to(shapes.dtype)), -1)


def in_order(moments: Sequence[Any]) -> list[int]:
    """Numbers of moments, earliest first; as given where one is unknown (None, or no text)."""
    if not all(moments):
        return list(range(len(moments)))
    try:
        return sorted(range(len(moments)), key=lambda i: moments[i])
    except TypeError:  # some with a zone, some without
        return list(range(len(moments)))
