"""Numbers on their way to a device, which goes on with its work meanwhile.

A plain copy from pageable memory makes the caller wait until a GPU has done all that it was asked
before; from pinned memory it does not. Of little CUDA takes a copy of its own at once, so that it
need not be pinned, which costs more than all else. A table travels as one copy.
"""

from collections.abc import Sequence

import numpy as np
import torch
from torch import Tensor

# Up to so many bytes a copy from pageable memory does not wait (CUDA Driver API, "API
# synchronization behavior"; from memory).
_LITTLE = 1 << 16
_ALIGNED = 64  # numbers: where the arrays of a table begin


def moved(values: np.ndarray | Sequence[float], device: torch.device | str) -> Tensor:
    """An array, or a list of numbers as float32, as a tensor on the device."""
    array = values if isinstance(values, np.ndarray) else np.asarray(values, np.float32)
    tensor = torch.from_numpy(array)
    if torch.device(device).type == "cuda" and array.nbytes > _LITTLE:
        return tensor.pin_memory().to(device, non_blocking=True)
    return tensor.to(device)


def sent(table: dict[str, np.ndarray], device: torch.device | str) -> dict[str, Tensor]:
    """A table of float32 arrays as tensors on the device."""
    room = [-(-values.size // _ALIGNED) * _ALIGNED for values in table.values()]
    starts = np.cumsum([0, *room])
    flat = np.zeros(starts[-1], np.float32)
    for start, values in zip(starts, table.values(), strict=False):
        flat[start : start + values.size] = values.ravel()
    there = moved(flat, device)
    return {
        name: there[start : start + values.size].view(values.shape)
        for start, (name, values) in zip(starts, table.items(), strict=False)
    }
