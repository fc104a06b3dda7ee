"""Grafted frames to learn from: whole batches of one shape, made ahead by worker processes.

    grafts = graft_stream(config, Path("sources.npz"), ranks)
    for sample in grafts.due(rendered=960): buffer.add(sample)

Runs of eight windows of real good frames, half of them clean, are grafted as numpy work in
processes that take only the time others leave, and become views on the training device a batch at
a time. Rendering never waits for them: what is not ready is made up for later. Only frames that
are set aside for training are ever used.
"""

import multiprocessing
import os
import pickle
import tempfile
from collections import deque
from collections.abc import Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from contextlib import suppress
from dataclasses import dataclass, replace
from itertools import count
from math import ceil
from pathlib import Path

import numpy as np
import torch

from classifier.errors import UsageError
from classifier.views import PHYSICAL, make_views
from synth.rng import stream
from training.config import TrainConfig
from training.data import (
    TRAINING,
    Sample,
    _compact,
    _contexts,
    _forget,
    frames_at_a_time,
)
from training.good_frames import LEAVE_STARS, GoodFrame, good_frames, part_of, unpack
from training.grafts import RUN_FRAMES, Deck, fits, graft_windows, turned_windows
from training.ranks import Ranks
from training.variety import draw_light, other_file, other_light

# Heights and widths of grafted frames, px, and how often each is made.
SHAPES = ((192, 192), (256, 256), (512, 512), (512, 640), (640, 768))
SHAPE_WEIGHTS = (0.15, 0.15, 0.2, 0.3, 0.2)
# Frames whose views are made at a time, and runs that a worker makes at a time.
_BATCH_FRAMES = 96
_TASK_RUNS = 6
_READ_NOISE = PHYSICAL.index("read_noise_e")
_NICE = 10


class GraftedSample(Sample):
    """A sample whose frames are real ones with faults grafted on."""


@dataclass(frozen=True)
class GraftedRuns:
    """Runs of RUN_FRAMES frames. pixels (B, H, W) uint16 or float32 ADU; physical (B,
    len(PHYSICAL)) and strength (B, 16) float32, NaN unknown."""

    pixels: np.ndarray
    physical: np.ndarray
    strength: np.ndarray


def training_frames(source: Path) -> list[GoodFrame]:
    """Good frames to train with, from what `pack` wrote or from a folder of them. Raises
    UsageError if there is none, or if a packed one is set aside for evaluation."""
    if source.is_dir():
        return good_frames(source, TRAINING, LEAVE_STARS)[0]
    try:
        frames = unpack(source)
    except (OSError, ValueError, KeyError) as error:
        raise UsageError(
            f"The real frames {source} cannot be read ({error}); give a folder of good subs or "
            "what training.good_frames.pack wrote."
        ) from error
    only_training(frames)
    return frames


def only_training(frames: list[GoodFrame]) -> None:
    """Raises UsageError if one of the frames is set aside for evaluation."""
    for frame in frames:
        if part_of(frame.group) != TRAINING:
            raise UsageError(
                f"Real frames of the group {frame.group} are set aside for evaluation and must "
                "not be trained on; pack the frames of the part training only."
            )


def draw_shape(config: TrainConfig, frames: list[GoodFrame], index: int) -> tuple[int, int]:
    """Height and width of batch number `index`: one of SHAPES that some frame can fill."""
    fitting = [i for i, shape in enumerate(SHAPES) if any(fits(f, shape) for f in frames)]
    if not fitting:
        raise UsageError(
            f"None of the real frames is {SHAPES[0][0]} px a side; give larger frames."
        )
    weights = np.array([SHAPE_WEIGHTS[i] for i in fitting])
    rng = stream(config.seed, TRAINING, "graft shape", index)
    return SHAPES[int(rng.choice(fitting, p=weights / weights.sum()))]


def make_runs(
    config: TrainConfig, frames: list[GoodFrame], index: int, part: int, runs: int
) -> GraftedRuns:
    """Some runs of batch number `index`: the same whoever makes them. Groups of sources are dealt
    evenly, and so are the frames of each."""
    shape = draw_shape(config, frames, index)
    rng = stream(config.seed, TRAINING, "grafts", index, part)
    deck = Deck(rng)
    groups: dict[str, list[GoodFrame]] = {}
    for frame in frames:
        if fits(frame, shape):
            groups.setdefault(frame.group, []).append(frame)
    names = [sorted(groups)[i] for i in rng.permutation(len(groups))]
    made = []
    for number in range(runs):
        own = groups[names[number % len(names)]]
        made.append(_make_run(own[int(rng.integers(len(own)))], shape, deck, rng))
    pixels, physical, strength = (np.concatenate(parts) for parts in zip(*made, strict=True))
    if pixels.min() >= 0 and pixels.max() <= 65535 and not np.mod(pixels, 1).any():
        pixels = pixels.astype(np.uint16)
    return GraftedRuns(pixels, physical, strength)


def _make_run(
    frame: GoodFrame, shape: tuple[int, int], deck: Deck, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Pixels, facts and strengths of one run: one light and one camera for its windows."""
    light = draw_light(rng)
    windows = turned_windows(frame, rng, RUN_FRAMES, shape)
    sources = [other_light(window, light, rng) for window in windows]
    clean = sources[0]
    barred = set(frame.barred)
    if light.noise and not (clean.knows_sky and clean.gain_e_adu and clean.read_noise_e):
        # How much of the noise is the sky's is known no more.
        barred.add("low_signal")
    frame = replace(frame, barred=frozenset(barred))
    pixels, strength = graft_windows(frame, sources, deck, rng)
    physical = frame.physical.numpy().copy()
    physical[_READ_NOISE] = np.nan if clean.read_noise_e is None else clean.read_noise_e
    pixels, physical = other_file(pixels, clean, physical, rng)
    return pixels, np.repeat(physical[None], RUN_FRAMES, 0), strength


_own_frames: list[GoodFrame] = []


def _start_worker(frames: Path) -> None:
    """A worker keeps the real frames, and gives way to the processes that draw scenes."""
    torch.set_num_threads(1)
    if hasattr(os, "nice"):
        os.nice(_NICE)
    with suppress(FileNotFoundError):  # the stream was closed before this worker began
        _own_frames[:] = pickle.loads(frames.read_bytes())


def _made_by_worker(config: TrainConfig, index: int, part: int, runs: int) -> GraftedRuns:
    return make_runs(config, _own_frames, index, part, runs)


class GraftStream:
    """Grafted batches in their order, made ahead; of several processes that train together each
    makes every so manieth. `close` it."""

    def __init__(self, config: TrainConfig, frames: list[GoodFrame], ranks: Ranks | None = None):
        only_training(frames)
        ranks = ranks or Ranks()
        self.config, self.frames = config, frames
        share = config.graft_share
        self._per_rendered = share / (1 - share)
        self._owed = 0.0
        self._numbers = count(ranks.rank, ranks.world)
        self._ahead: deque[tuple[int, list[Future[GraftedRuns]]]] = deque()
        self._pool: ProcessPoolExecutor | None = None
        if config.workers > 0:
            # Two batches beside what falls due at a time.
            self._most_ahead = 2 + ceil(self._per_rendered * config.render_batch / _BATCH_FRAMES)
            # Through a file: what is handed over by a pipe keeps the learner waiting for every
            # worker's start, three seconds each.
            self._folder = tempfile.TemporaryDirectory(
                prefix="nightcull-", ignore_cleanup_errors=True
            )
            packed = Path(self._folder.name) / "frames"
            packed.write_bytes(pickle.dumps(frames))
            self._pool = ProcessPoolExecutor(
                config.workers, multiprocessing.get_context("spawn"), _start_worker, (packed,)
            )

    def due(self, rendered: int, device: torch.device) -> Iterator[GraftedSample]:
        """What keeps `graft_share` after so many more rendered frames, as far as it is ready."""
        self._owed += rendered * self._per_rendered
        while self._owed > 0 and (made := self._next()) is not None:
            sample = self._sample(*made, device)
            self._owed -= len(sample)
            yield sample

    def record(self, frames: int) -> dict[str, int]:
        """What was learnt from so many grafted frames' sources, for config.json and the card."""
        return {
            "grafted_frames": frames,
            "graft_sources": len(self.frames),
            "graft_groups": len({frame.group for frame in self.frames}),
        }

    def close(self) -> None:
        if self._pool is not None:
            self._pool.shutdown(wait=False, cancel_futures=True)
            self._folder.cleanup()

    def _next(self) -> tuple[int, list[GraftedRuns]] | None:
        """The next batch if it is made; without workers it is made here."""
        if self._pool is None:
            index = next(self._numbers)
            tasks = self._tasks(index)
            return index, [make_runs(self.config, self.frames, *task) for task in tasks]
        # From the first wish on: at the start of a training all cores have scenes to draw.
        self._order_ahead()
        index, parts = self._ahead[0]
        if not all(part.done() for part in parts):
            return None
        self._ahead.popleft()
        return index, [part.result() for part in parts]

    def _order_ahead(self) -> None:
        assert self._pool is not None
        while len(self._ahead) < self._most_ahead:
            index = next(self._numbers)
            tasks = self._tasks(index)
            parts = [self._pool.submit(_made_by_worker, self.config, *task) for task in tasks]
            self._ahead.append((index, parts))

    def _tasks(self, index: int) -> list[tuple[int, int, int]]:
        """Batch number, part and runs of each part of a batch."""
        shape = draw_shape(self.config, self.frames, index)
        runs = min(_BATCH_FRAMES, frames_at_a_time(self.config, *shape)) // RUN_FRAMES
        starts = range(0, max(runs, 1), _TASK_RUNS)
        return [(index, start, min(_TASK_RUNS, max(runs, 1) - start)) for start in starts]

    def _sample(self, index: int, parts: list[GraftedRuns], device: torch.device) -> GraftedSample:
        pixels = torch.cat([_on(part.pixels, device) for part in parts])
        run = torch.arange(len(pixels), device=device) // RUN_FRAMES
        physical = torch.cat([torch.from_numpy(part.physical) for part in parts]).to(device)
        strength = torch.cat([torch.from_numpy(part.strength) for part in parts]).to(device)
        rng = stream(self.config.seed, TRAINING, "graft facts", index)
        physical = _forget(physical, run, self.config.physical_dropout, rng)
        with torch.no_grad():
            views = _compact(make_views(pixels, physical, lines=self.config.lines))
            context = _contexts(views, run)
        # Rendered runs are numbered upwards from 0.
        first = index * (_BATCH_FRAMES // RUN_FRAMES)
        return GraftedSample(views, context, strength, -1 - first - run)


def _on(pixels: np.ndarray, device: torch.device) -> torch.Tensor:
    """uint16 or float32 pixels as float32 on a device."""
    if pixels.dtype == np.float32:
        return torch.from_numpy(pixels).to(device)
    # Two bytes a pixel travel; torch knows them as signed.
    signed = torch.from_numpy(pixels.view(np.int16)).to(device)
    return (signed.int() & 0xFFFF).float()


def graft_stream(
    config: TrainConfig, real_frames: Path | None, ranks: Ranks | None = None
) -> GraftStream | None:
    """The stream that a training asks for; None without grafts. Raises UsageError."""
    if config.graft_share == 0 and real_frames is None:
        return None
    if real_frames is None:
        raise UsageError(
            f"graft_share is {config.graft_share} and there are no real frames to graft onto; "
            "give --real-frames."
        )
    if config.graft_share == 0:
        raise UsageError(
            "--real-frames is given and graft_share is 0, so that they would not be used; set "
            "graft_share above 0 or leave them out."
        )
    return GraftStream(config, training_frames(real_frames), ranks)
