"""Time that a piece of work takes on a device, shared by the benchmarks of rendering."""

import time
from collections import Counter
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


def profiled(device: str, work: Callable[[], object], rows: int = 15) -> str:
    """The operations of `work` that took the device most time, with their calls, as a table."""
    from torch.profiler import ProfilerActivity, profile

    kinds = [ProfilerActivity.CPU]
    if device == "cuda":
        kinds.append(ProfilerActivity.CUDA)
    with profile(activities=kinds) as watched:
        timed(device, work)
    key = "self_cuda_time_total" if device == "cuda" else "self_cpu_time_total"
    averages = watched.key_averages()
    text = str(averages.table(sort_by=key, row_limit=rows, max_name_column_width=60))
    calls = Counter({event.key: event.count for event in averages})
    waits = calls["cudaStreamSynchronize"] + calls["aten::item"]
    return f"{text}{sum(calls.values())} calls, {waits} waits for the device"
