"""The company of fresh frames: the middle of their run as the network in training sees it.

What the subs of a run have in common is told by the network's own features (see
`classifier.context.run_company`). In training they come from the running average of the network
while the frames are fresh: it is what will label in the end, and its features change slowly.
"""

import numpy as np
import torch
from torch import Tensor

from classifier.context import CONTEXT, SMALLEST_RUN
from classifier.network import Network
from training.data import Sample
from training.loop import autocast
from training.run_blocks import each_run
from training.turns import TURNS, turn, turned_map

# Share of the runs whose middle is that of fewer subs than were rendered, as on short nights.
_SHORT_RUNS = 0.3


def as_learnt(sample: Sample, network: Network, bf16: bool, rng: np.random.Generator) -> Sample:
    """A fresh sample turned at random, with the company that it is judged beside if the network
    hears it."""
    which = int(rng.integers(TURNS))
    views, context = turn(sample.views, sample.context, which)
    cells = turned_map(sample.cells, which)
    turned = Sample(views, context, sample.strength, sample.run, cells)
    if not network.config.company:
        return turned
    if int(torch.unique_consecutive(turned.run, return_counts=True)[1].max()) < SMALLEST_RUN:
        # Nobody has company: what the network says of them is not asked.
        shape = len(turned), network.config.features
        return accompanied(turned, torch.full(shape, torch.nan, device=turned.run.device), rng)
    return accompanied(turned, fresh_features(network, turned, bf16), rng)


def accompanied(sample: Sample, features: Tensor, rng: np.random.Generator) -> Sample:
    """The sample with the company of its frames behind their context: (N, len(CONTEXT) + D).

    features: (N, D) of its frames. Some runs are told by a few of their subs.
    """

    def middle(part: Tensor) -> Tensor:
        runs, frames, width = part.shape
        if frames < SMALLEST_RUN:
            return torch.full_like(part, torch.nan)
        order = torch.from_numpy(rng.random((runs, frames)).argsort(1).argsort(1)).to(part.device)
        least = rng.integers(SMALLEST_RUN, frames + 1, runs)
        count = np.where(rng.random(runs) < _SHORT_RUNS, least, frames)
        seen = order < torch.from_numpy(count).to(part.device)[:, None]
        told = torch.where(seen[..., None], part, torch.nan)
        return told.nanmedian(1, keepdim=True).values.expand(runs, frames, width)

    company = each_run(sample.run, middle, features.float())
    context = torch.cat((sample.context[:, : len(CONTEXT)], company), 1)
    return Sample(sample.views, context, sample.strength, sample.run, sample.cells)


@torch.no_grad()
def fresh_features(network: Network, sample: Sample, bf16: bool, batch: int = 256) -> Tensor:
    """(N, D) features of a sample on its own device, in bfloat16 products on a GPU if asked for."""
    device = sample.run.device
    parts = []
    for start in range(0, len(sample), batch):
        views = sample.views[start : start + batch]
        with autocast(device, bf16):
            halved = bf16 and device.type == "cuda"
            parts.append(network.encode(views if halved else views.float()).float())
    return torch.cat(parts)
