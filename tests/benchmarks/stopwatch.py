"""Seconds that a piece of work takes on a device, shared by the benchmarks of rendering."""

import time
from collections.abc import Callable
from typing import TypeVar

import torch

Result = TypeVar("Result")


def timed(device: str, work: Callable[[], Result]) -> tuple[float, Result]:
    """Wall-clock seconds of `work`, a GPU's queue emptied before and after, and what it gave."""
    if device == "cuda":
        torch.cuda.synchronize()
    start = time.perf_counter()
    out = work()
    if device == "cuda":
        torch.cuda.synchronize()
    return time.perf_counter() - start, out
