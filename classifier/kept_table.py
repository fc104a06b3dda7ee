"""Tables of numbers that are worked out once for a shape and a device, and then kept."""

from collections.abc import Callable
from functools import lru_cache, wraps
from typing import ParamSpec, TypeVar

import torch

Given = ParamSpec("Given")
Table = TypeVar("Table")


def kept(most: int) -> Callable[[Callable[Given, Table]], Callable[Given, Table]]:
    """Decorator: the last `most` tables are kept, whole before anybody else gets hold of them. On a
    GPU several threads ask, each on a stream of its own, and one would read what another's stream
    has yet to write."""

    def keeping(work: Callable[Given, Table]) -> Callable[Given, Table]:
        @wraps(work)
        def whole(*args: Given.args, **named: Given.kwargs) -> Table:
            table = work(*args, **named)
            if torch.cuda.is_available() and torch.cuda.is_initialized():
                torch.cuda.current_stream().synchronize()
            return table

        return lru_cache(maxsize=most)(whole)  # type: ignore[return-value]

    return keeping
