"""The rendered stream, ahead of the learner: scenes from worker processes, pixels from a thread.

Drawing scenes is numpy work and goes to `workers` processes; rendering is one GPU stream driven
by a thread of its own, so that the learner's kernels and the renderer's overlap. The order of
batches is fixed by their number: the stream is the same whatever the number of workers. With no
workers (CPU training) everything happens in the caller, one batch at a time.
"""

import multiprocessing
import queue
import threading
from collections import deque
from collections.abc import Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from itertools import count

import torch

from synth.plan import Plan
from training.config import TrainConfig
from training.data import Sample, plan_batch, render_sample
from training.graft_batches import GraftStream
from training.ranks import Ranks


def _one_thread() -> None:
    torch.set_num_threads(1)


class Planner:
    """Worker processes that draw batches ahead; `plans` yields those of one set in order.

    Of several processes that train together each takes every so manieth batch."""

    def __init__(self, config: TrainConfig, ranks: Ranks | None = None):
        self.config, self.ranks = config, ranks or Ranks()
        self.pool: ProcessPoolExecutor | None = None
        if config.workers > 0:
            # Spawned, not forked: a forked child would inherit the parent's GPU.
            context = multiprocessing.get_context("spawn")
            self.pool = ProcessPoolExecutor(config.workers, context, initializer=_one_thread)

    def plans(self, set_name: str, batches: int | None = None) -> Iterator[tuple[int, Plan]]:
        first, step = self.ranks.rank, self.ranks.world
        numbers = iter(range(first, batches, step)) if batches is not None else count(first, step)
        if self.pool is None:
            for index in numbers:
                yield index, plan_batch(self.config, set_name, index)
            return
        ahead: deque[tuple[int, Future[Plan]]] = deque()
        for index in numbers:
            ahead.append((index, self.pool.submit(plan_batch, self.config, set_name, index)))
            if len(ahead) >= 2 * self.config.workers:
                index, future = ahead.popleft()
                yield index, future.result()
        while ahead:
            index, future = ahead.popleft()
            yield index, future.result()

    def close(self) -> None:
        if self.pool is not None:
            self.pool.shutdown(wait=False, cancel_futures=True)


class Stream:
    """Iterator of rendered samples of a set, with grafted ones (GraftedSample) evenly among them
    where `grafts` is given; use it in a `with` block."""

    def __init__(
        self,
        planner: Planner,
        set_name: str,
        device: torch.device,
        batches: int | None = None,
        grafts: GraftStream | None = None,
    ):
        self.planner, self.set_name, self.device = planner, set_name, device
        self.batches, self.grafts = batches, grafts
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
        while self._thread is not None and self._thread.is_alive():
            try:
                self._ready.get(timeout=0.1)
            except queue.Empty:
                continue

    def _rendered(self) -> Iterator[Sample]:
        for index, plan in self.planner.plans(self.set_name, self.batches):
            sample = render_sample(self.planner.config, self.set_name, index, self.device, plan)
            frames = len(sample)
            yield sample
            if self.grafts is not None:
                yield from self.grafts.due(frames, self.device)

    def _render_ahead(self) -> None:
        try:
            own = torch.cuda.Stream(self.device)
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
