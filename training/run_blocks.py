"""Samples hold whole runs, one after another: what is worked out run by run."""

from collections.abc import Callable
from itertools import groupby

import torch
from torch import Tensor


def each_run(run: Tensor, work: Callable[[Tensor], Tensor], values: Tensor) -> Tensor:
    """`work` (k, n, D) -> (k, n, E) done for every run of n frames: (N, D) -> (N, E).

    run: (N,) numbers, equal and side by side for the frames of one run. Runs of one length that
    follow one another are worked on together.
    """
    lengths = torch.unique_consecutive(run, return_counts=True)[1].tolist()
    done, start = [], 0
    for length, alike in groupby(lengths):
        count = len(list(alike))
        part = values[start : start + count * length].view(count, length, values.shape[1])
        done.append(work(part).flatten(0, 1))
        start += count * length
    return torch.cat(done)
