"""Several processes that train one network together, one per GPU, as torchrun starts them.

    torchrun --standalone --nproc-per-node 4 -m training.train --config ... --out DIR

Every process renders its own frames and learns from its own batches; the gradients are averaged,
so that the weights stay the same everywhere. Started without torchrun there is one process, and
all of this does nothing.
"""

import os
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import TypeVar

import torch
import torch.distributed as dist
from torch import Tensor

from classifier.errors import UsageError

Thing = TypeVar("Thing")

# A process that waits longer than this for the others is alone: one of them has died.
PATIENCE_S = 180


@dataclass(frozen=True)
class Ranks:
    """This process among `world` of them; `rank` 0 reports and writes."""

    rank: int = 0
    world: int = 1

    @property
    def is_first(self) -> bool:
        return self.rank == 0

    def agree(self, value: float) -> float:
        """The number as the first process has it."""
        if self.world == 1:
            return value
        shared = torch.tensor(value, dtype=torch.float64)
        dist.broadcast(shared, 0)
        return float(shared)

    def mean(self, value: float) -> float:
        """The mean of everybody's number."""
        if self.world == 1:
            return value
        shared = torch.tensor(value, dtype=torch.float64)
        dist.all_reduce(shared)
        return float(shared) / self.world

    def least(self, value: float) -> float:
        """The smallest of everybody's numbers."""
        if self.world == 1:
            return value
        shared = torch.tensor(value, dtype=torch.float64)
        dist.all_reduce(shared, dist.ReduceOp.MIN)
        return float(shared)

    def average(self, tensors: Sequence[Tensor]) -> None:
        """Replace the tensors (one device, one dtype) by their means over all processes."""
        if self.world == 1 or not tensors:
            return
        flat = torch.cat([tensor.flatten() for tensor in tensors])
        dist.all_reduce(flat)
        flat /= self.world
        parts = flat.split([tensor.numel() for tensor in tensors])
        torch._foreach_copy_(
            list(tensors), [p.view(t.shape) for p, t in zip(parts, tensors, strict=True)]
        )

    def copy_from_first(self, tensors: Sequence[Tensor]) -> None:
        """Replace the tensors by those of the first process."""
        if self.world > 1:
            for tensor in tensors:
                dist.broadcast(tensor, 0)

    def gather(self, thing: Thing) -> list[Thing]:
        """Everybody's thing, in order of rank; on the first process alone, elsewhere empty."""
        if self.world == 1:
            return [thing]
        things: list[Thing | None] = [None] * self.world
        dist.gather_object(thing, things if self.is_first else None, 0)
        return [each for each in things if each is not None] if self.is_first else []


def join() -> Ranks:
    """The group that torchrun's environment describes; one process alone without it.

    Where there are GPUs, each process takes its own. Raises UsageError where there are fewer.
    """
    world = int(os.environ.get("WORLD_SIZE", "1"))
    if world == 1:
        return Ranks()
    own = int(os.environ["LOCAL_RANK"])
    backend = "gloo"
    if torch.cuda.is_available():
        if own >= torch.cuda.device_count():
            raise UsageError(
                f"{world} processes were started and this machine has "
                f"{torch.cuda.device_count()} GPUs; start one process per GPU."
            )
        torch.cuda.set_device(own)
        backend = "cpu:gloo,cuda:nccl"
    dist.init_process_group(backend, timeout=timedelta(seconds=PATIENCE_S))
    return Ranks(dist.get_rank(), world)


def leave(ranks: Ranks) -> None:
    """Part from the others."""
    if ranks.world > 1:
        dist.destroy_process_group()
