"""The rendered stream, ahead of the learner: scenes from worker processes, pixels from a thread.

Drawing scenes is numpy work and goes to `workers` processes; rendering is one GPU stream driven
by a thread of its own, so that the learner's kernels and the renderer's overlap. The order of
batches is fixed by their number: the stream is the same whatever the number of workers. With no
workers (CPU training) everything happens in the caller, one batch at a time.
"""

import multiprocessing
import queue
import tempfile
import threading
import time
from collections import deque
from collections.abc import Iterable, Iterator
from concurrent.futures import Executor, Future, ProcessPoolExecutor
from itertools import count
from pathlib import Path

import torch

from synth.plan import Plan
from training.config import TrainConfig
from training.data import Sample, plan_batch, render_sample
from training.graft_batches import GraftStream
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


class Stream:
    """Iterator of rendered samples of a set, with grafted ones (GraftedSample) evenly among them
    where `grafts` is given; use it in a `with` block. Its scenes are drawn from when it is made.

    awaited_s: how long rendering has waited for scenes.
    """

    def __init__(
        self,
        planner: Planner,
        set_name: str,
        device: torch.device,
        batches: int | None = None,
        grafts: GraftStream | None = None,
    ):
        self.config, self.set_name, self.device = planner.config, set_name, device
        self.grafts, self.awaited_s = grafts, 0.0
        self._plans = planner.plans(set_name, batches)
        self._ready: queue.Queue[Sample | BaseException | None] = queue.Queue(maxsize=2)
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None

    def __enter__(self) -> Iterator[Sample]:
        if self.device.type != "cuda":
            return self._rendered()
        self._thread = threading.Thread(target=self._render_ahead, daemon=True)
        self._thread.start()
        return self._taken()

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        if isinstance(self._plans, Plans):
            self._plans.leave()
        while self._thread is not None and self._thread.is_alive():
            try:
                self._ready.get(timeout=0.1)
            except queue.Empty:
                continue

    def _rendered(self) -> Iterator[Sample]:
        began = time.monotonic()
        for index, plan in self._plans:
            self.awaited_s += time.monotonic() - began
            sample = render_sample(self.config, self.set_name, index, self.device, plan)
            frames = len(sample)
            yield sample
            if self.grafts is not None:
                yield from self.grafts.due(frames, self.device)
            began = time.monotonic()

    def _render_ahead(self) -> None:
        try:
            # First in line: its thousands of short kernels would each wait for the learner's long
            # ones, which keep the GPU busy anyhow.
            own = torch.cuda.Stream(self.device, priority=-1)
            with torch.cuda.stream(own):
                for sample in self._rendered():
                    own.synchronize()
                    self._ready.put(sample)
                    if self._stop.is_set():
                        return
            self._ready.put(None)
        except BaseException as error:  # handed to the learner, which raises it
            self._ready.put(error)

    def _taken(self) -> Iterator[Sample]:
        while True:
            sample = self._ready.get()
            if sample is None:
                return
            if isinstance(sample, BaseException):
                raise sample
            sample.record_use()
            yield sample
