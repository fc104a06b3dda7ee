"""A frame beside its run: the numbers that only make sense against the neighbours.

Four pixels wide is good seeing on one rig and a ruined sub on another. The context says how a
frame's stars and sky stand against the best of its own run, in the network's own measure of
them, so that training and labelling see the same thing.
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
    """(N, len(SHAPE_FACTS)) of one run's frames -> (N, len(CONTEXT)); NaN for a short run."""
    if len(shapes) < SMALLEST_RUN:
        return torch.full((len(shapes), len(CONTEXT)), float("nan"), device=shapes.device)

    def column(name: str) -> Tensor:
        return shapes[:, _COLUMN[name]]

    def over(name: str, share: float) -> Tensor:
        return column(name) - column(name).quantile(share)

    def middle(name: str) -> Tensor:
        return column(name).median()

    # A pull that lasts stretches all subs alike; a shake comes and goes.
    away = torch.hypot(
        column("stretch_cos") - middle("stretch_cos"), column("stretch_sin") - middle("stretch_sin")
    )
    scatter = away.median()
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
            middle("stretch_cos").expand(len(shapes)),
            middle("stretch_sin").expand(len(shapes)),
            scatter.expand(len(shapes)),
            column("dip") - column("dip").quantile(0.9),
            column("lopsided") - column("lopsided").quantile(0.1),
        ),
        1,
    )
