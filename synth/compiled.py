"""Work whose steps torch's compiler may put together: less traffic in memory, fewer launches."""

from collections.abc import Callable
from functools import cache
from typing import Any, TypeVar

import torch

Work = TypeVar("Work", bound=Callable[..., Any])


@cache
def fused(work: Callable[..., Any]) -> Callable[..., Any]:
    """The same work compiled for tensors of any size, after a minute for each kind of work."""
    return torch.compile(work, dynamic=True)


def made(work: Work, is_fused: bool) -> Work:
    """The work itself, or compiled."""
    return fused(work) if is_fused else work  # type: ignore[return-value]
