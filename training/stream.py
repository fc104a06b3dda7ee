"""The rendered stream, ahead of the learner: scenes from worker processes, pixels from threads.

On a GPU threads render on streams of their own beside the learner's: while one waits for the
device, or leaves a part of it idle, another goes on. Samples come in the order of their batches'
numbers all the same. Elsewhere everything happens in the caller, one batch at a time.
"""

import threading
import time
from collections.abc import Iterator
from contextlib import nullcontext
from functools import cache

import torch

from training.data import Sample, render_sample
from training.graft_batches import GraftStream
from training.planner import Planner, Plans

# Samples that may be ready before they are asked for: each takes a gigabyte of a device.
AHEAD = 2


@cache
def _rendering(device: torch.device, number: int) -> torch.cuda.Stream:
    """The stream of a GPU in which thread `number` renders, the same for all sets: each keeps its
    own memory, some 25 GB.

    First in line: thousands of short kernels would each wait for the learner's long ones, which
    keep the GPU busy anyhow."""
    return torch.cuda.Stream(device, priority=-1)


class Stream:
    """Iterator of rendered samples of a set, with grafted ones (GraftedSample) evenly among them
    where `grafts` is given; use it in a `with` block. Its scenes are drawn from when it is made.

    renderers: threads that render ahead; None: as the settings say on a GPU, elsewhere none.
    awaited_s: how long rendering has waited for scenes.
    """

    def __init__(
        self,
        planner: Planner,
        set_name: str,
        device: torch.device,
        batches: int | None = None,
        grafts: GraftStream | None = None,
        renderers: int | None = None,
    ):
        self.config, self.set_name, self.device = planner.config, set_name, device
        self.grafts, self.awaited_s = grafts, 0.0
        if renderers is None:
            renderers = self.config.renderers if device.type == "cuda" else 0
        self._on_gpu = device.type == "cuda"
        self._plans = planner.plans(set_name, batches)
        self._numbered = enumerate(self._plans)
        self._threads = [
            threading.Thread(target=self._render_ahead, args=(number,), daemon=True)
            for number in range(renderers)
        ]
        self._in_turn = threading.Lock()
        # All below changes under this, and whoever waits for a change is told of it.
        self._news = threading.Condition()
        self._made: dict[int, Sample] = {}
        self._wanted, self._at_work = 0, renderers
        self._error: BaseException | None = None
        self._stopped = False

    def __enter__(self) -> Iterator[Sample]:
        for thread in self._threads:
            thread.start()
        return self._with_grafts(self._taken() if self._threads else self._rendered())

    def __exit__(self, *_: object) -> None:
        with self._news:
            self._stopped = True
            self._news.notify_all()
        if isinstance(self._plans, Plans):
            self._plans.leave()
        for thread in self._threads:
            thread.join()
        self._made.clear()

    def _with_grafts(self, rendered: Iterator[Sample]) -> Iterator[Sample]:
        for sample in rendered:
            frames = len(sample)
            yield sample
            if self.grafts is not None:
                yield from self.grafts.due(frames, self.device)

    def _rendered(self) -> Iterator[Sample]:
        """Samples one after another, in whichever thread asks for them."""
        while (sample := self._render_next()) is not None:
            yield sample[1]

    def _render_next(self) -> tuple[int, Sample] | None:
        """The next batch and which it is in the order of the stream; None after the last."""
        with self._in_turn:
            began = time.monotonic()
            number, planned = next(self._numbered, (0, None))
            self.awaited_s += time.monotonic() - began
        if planned is None:
            return None
        return number, render_sample(
            self.config, self.set_name, planned[0], self.device, planned[1]
        )

    def _render_ahead(self, number: int) -> None:
        own = _rendering(self.device, number) if self._on_gpu else None
        try:
            with nullcontext() if own is None else torch.cuda.stream(own):
                while (rendered := self._render_next()) is not None:
                    if own is not None:
                        own.record_event().synchronize()
                    if not self._hand_over(*rendered):
                        break
        except BaseException as error:  # handed to the learner, which raises it
            self._error = error
        finally:
            with self._news:
                self._at_work -= 1
                self._news.notify_all()

    def _hand_over(self, number: int, sample: Sample) -> bool:
        """Put a sample where the learner finds it, when there is room; False: nobody wants more."""
        with self._news:
            self._news.wait_for(lambda: self._stopped or number < self._wanted + AHEAD)
            self._made[number] = sample
            self._news.notify_all()
            return not self._stopped

    def _taken(self) -> Iterator[Sample]:
        while (sample := self._next_made()) is not None:
            if self._on_gpu:
                sample.record_use()
            yield sample

    def _next_made(self) -> Sample | None:
        """The next sample once it is there, None after the last. Raises what a renderer did."""
        with self._news:
            self._news.wait_for(
                lambda: self._wanted in self._made or self._error or not self._at_work
            )
            if self._error is not None:
                raise self._error
            sample = self._made.pop(self._wanted, None)
            self._wanted += 1
            self._news.notify_all()
            return sample
