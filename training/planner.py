"""Scenes drawn ahead: worker processes plan the batches that a device is to render.

Drawing scenes is numpy work of a few milliseconds a frame, for which one process is too slow and no
device is needed. The order of batches is fixed by their number: what is drawn is the same whatever
the number of workers. With none (training on a CPU) each batch is drawn when it is asked for.
"""

import multiprocessing
import tempfile
from collections import deque
from collections.abc import Iterable, Iterator
from concurrent.futures import Executor, Future, ProcessPoolExecutor
from itertools import count
from pathlib import Path

import torch

from synth.plan import Plan
from training.config import TrainConfig
from training.data import plan_batch
from training.parcel import unwrap, wrap
from training.ranks import Ranks


def _one_thread() -> None:
    torch.set_num_threads(1)


def _drawn(config: TrainConfig, set_name: str, index: int, path: Path) -> Plan | Path:
    """A batch's plan, in a file if there is room for it."""
    plan = plan_batch(config, set_name, index)
    try:
        wrap(plan, path)
    except OSError:
        return plan
    return path


class Plans:
    """Numbered batches of one set, drawn ahead by a pool from the moment this is made; `folder` is
    where they wait."""

    def __init__(
        self,
        config: TrainConfig,
        pool: Executor,
        set_name: str,
        numbers: Iterable[int],
        folder: Path,
    ):
        self._config, self._pool, self._set_name = config, pool, set_name
        self._numbers, self._folder = iter(numbers), folder
        self._ahead: deque[tuple[int, Future[Plan | Path]]] = deque()
        while len(self._ahead) < 2 * config.workers and self._draw_another():
            pass

    def _draw_another(self) -> bool:
        index = next(self._numbers, None)
        if index is not None:
            path = self._folder / f"{self._set_name} {index}"
            drawn = self._pool.submit(_drawn, self._config, self._set_name, index, path)
            self._ahead.append((index, drawn))
        return index is not None

    def __iter__(self) -> Iterator[tuple[int, Plan]]:
        while self._ahead:
            index, drawn = self._ahead.popleft()
            self._draw_another()
            plan = drawn.result()
            yield index, unwrap(plan) if isinstance(plan, Path) else plan

    def leave(self) -> None:
        """Nobody asks for the rest: workers that have not begun with it need not."""
        for _, drawn in self._ahead:
            drawn.cancel()


class Planner:
    """Worker processes that draw batches ahead; `plans` gives those of one set in order.

    Of several processes that train together each takes every so manieth batch."""

    def __init__(self, config: TrainConfig, ranks: Ranks | None = None):
        self.config, self.ranks = config, ranks or Ranks()
        self.pool: ProcessPoolExecutor | None = None
        if config.workers > 0:
            # Spawned, not forked: a forked child would inherit the parent's GPU.
            context = multiprocessing.get_context("spawn")
            self.pool = ProcessPoolExecutor(config.workers, context, initializer=_one_thread)
            self._folder = tempfile.TemporaryDirectory(
                prefix="nightcull-", ignore_cleanup_errors=True
            )

    def plans(self, set_name: str, batches: int | None = None) -> Plans | Iterator:
        """(number, Plan) of each batch; without workers drawn when it is asked for."""
        first, step = self.ranks.rank, self.ranks.world
        numbers = range(first, batches, step) if batches is not None else count(first, step)
        if self.pool is None:
            return ((index, plan_batch(self.config, set_name, index)) for index in numbers)
        return Plans(self.config, self.pool, set_name, numbers, Path(self._folder.name))

    def close(self) -> None:
        if self.pool is not None:
            self.pool.shutdown(wait=False, cancel_futures=True)
            self._folder.cleanup()
