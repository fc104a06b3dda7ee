"""A frame beside its run: the numbers that only make sense against the neighbours.

Four pixels wide is good seeing on one rig and a ruined sub on another. The context says how a
frame's stars and sky stand against the best of its own run, in the network's own measure of
them, so that training and labelling see the same thing. To these numbers come the features of
its company, the middle of what the network makes of all subs of the run.
"""

import torch
from torch import Tensor

from classifier.sheet import SHAPE_FACTS

CONTEXT: tuple[str, ...] = (
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

# With fewer frames there is no run to speak of.
SMALLEST_RUN = 3
_COLUMN = {name: i for i, name in enumerate(SHAPE_FACTS)}


def run_context(shapes: Tensor) -> Tensor:
    """(..., N, len(SHAPE_FACTS)), runs of N frames -> (..., N, len(CONTEXT)); NaN if too short."""
    frames = shapes.shape[-2]
    if frames < SMALLEST_RUN:
        return shapes.new_full((*shapes.shape[:-1], len(CONTEXT)), float("nan"))
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


def beside_run(shapes: Tensor, features: Tensor) -> Tensor:
    """What `Network.judge` takes as context: `run_context` of the shapes, then `run_company`.

    shapes (..., N, len(SHAPE_FACTS)), features (..., N, D), runs of N frames -> (..., N,
    len(CONTEXT) + D); NaN if too short.
    """
    return torch.cat((run_context(shapes), run_company(features).to(shapes.dtype)), -1)
