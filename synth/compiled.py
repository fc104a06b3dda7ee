"""Work whose steps torch's compiler may put together: less traffic in memory, fewer launches."""

from collections.abc import Callable
from functools import cache
from typing import Any, TypeVar

import torch

Work = TypeVar("Work", bound=Callable[..., Any])


# Beyond so many kinds of batches work is no longer compiled: one frame or many, colour or not, how
# many stars a tile, numbers that happen to be alike.
MOST_KINDS = 64


@cache
def fused(work: Callable[..., Any]) -> Callable[..., Any]:
    """The same work compiled for tensors of any size, after a minute for each kind of batch."""
    from torch._dynamo import config  # the compiler takes seconds to load

    config.recompile_limit = max(config.recompile_limit, MOST_KINDS)
    return torch.compile(work, dynamic=True)


def made(work: Work, is_fused: bool) -> Work:
    """The work itself, or compiled."""
    return fused(work) if is_fused else work  # type: ignore[return-value]
