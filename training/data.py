"""Rendered frames as the network sees them: an endless stream to learn from, fixed sets to judge.

Every frame comes from a named stream: training, validation, calibration and evaluation have
streams of different names, so no frame is ever in two of them, whatever their sizes. The three
held-out sets are the same for a given seed, set of shapes and batch size, and are split by run:
frames of one run (same rig, same field) are never divided between two sets.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import numpy as np
import torch
from torch import Tensor

from classifier.context import run_context
from classifier.sheet import STARS
from classifier.views import PHYSICAL, Views, make_views, shape_facts
from classifier.vocabulary import FAULTS
from synth.generate import RUN_FRAMES, draw_plan, render_plan
from synth.not_sky import paint_not_sky
from synth.plan import Plan
from synth.rng import seed_of, stream, torch_stream
from training.config import TrainConfig
from training.fault_cells import cells_unknown, fault_cells
from training.run_blocks import each_run

TRAINING, VALIDATION, CALIBRATION, EVALUATION = (
    "training",
    "validation",
    "calibration",
    "evaluation",
)
# Batches of the training stream that follow one another and have one shape: processes that train
# together each render one of them and wait for the slowest.
ALIKE = 4
# Runs without a fault: thresholds are set on clean frames, of which the other sets have few.
CLEAN = "clean calibration"

# Every so manieth run shows things that are no star field: one at least in as many runs, so that a
# held-out set that is cut short has some too.
NOT_SKY_EVERY = 21

# Physical facts that files tell or leave out together, and how readily they leave them out,
# as a multiple of `physical_dropout` (common practice: nearly all files tell the exposure, few
# the read noise).
FACT_GROUPS: tuple[tuple[tuple[str, ...], float], ...] = (
    (("gain_e_adu",), 1.0),
    (("read_noise_e",), 1.5),
    (("offset_adu",), 1.5),
    (("saturation_adu",), 1.5),
    (("scale_arcsec",), 1.0),
    (("focal_ratio",), 1.0),
    (("exposure_s", "binning"), 0.2),
)


@dataclass
class Sample:
    """Frames as views, with all that is needed to learn from them or to judge a model.

    context (B, len(CONTEXT)), or (B, len(CONTEXT) + D) with the features of the run's middle behind
    it, NaN unknown; strength (B, 16) in the vocabulary's units, NaN =
    leave out; run (B,) long, different for every run of the stream; cells (B, 3, 16, 16) float16,
    where faults lie (see `training.fault_cells`), NaN throughout where they are not given.
    """

    views: Views
    context: Tensor
    strength: Tensor
    run: Tensor
    cells: Tensor = field(default_factory=lambda: torch.empty(0))

    def __post_init__(self) -> None:
        if len(self.cells) != len(self.run):
            self.cells = cells_unknown(len(self.run), self.run.device)

    def __len__(self) -> int:
        return len(self.run)

    @property
    def is_sky(self) -> Tensor:
        """(B,) 1 for a star field, 0 for other things: of those no strength is known at all."""
        return (~self.strength.isnan().all(1)).float()

    @property
    def is_sound(self) -> Tensor:
        """(B,) bool: what the network sees of a frame are numbers. One that is none would make
        all weights none."""
        seen = [v for name, v in vars(self.views).items() if name not in ("stars_px", "line_px")]
        sound = ~(self.context.isinf().any(1) | self.strength.isinf().any(1))
        for view in seen:
            sound &= view.flatten(1).isfinite().all(1)
        return sound

    def rows(self, rows: Tensor) -> "Sample":
        """Some of the frames, by number or by a mask."""
        own = (self.context[rows], self.strength[rows], self.run[rows], self.cells[rows])
        return Sample(self.views[rows], *own)

    def record_use(self) -> None:
        """Tell the allocator that the current stream uses tensors made on another one."""
        here = torch.cuda.current_stream()
        own = (self.context, self.strength, self.run, self.cells)
        for tensor in (*vars(self.views).values(), *own):
            tensor.record_stream(here)

    @staticmethod
    def cat(parts: list["Sample"]) -> "Sample":
        return Sample(
            Views.cat([part.views for part in parts]),
            torch.cat([part.context for part in parts]),
            torch.cat([part.strength for part in parts]),
            torch.cat([part.run for part in parts]),
            torch.cat([part.cells for part in parts]),
        )


def targets_of(strength: Tensor) -> Tensor:
    """(B, 16) strengths -> (B, 16) targets in [0, 1], NaN where the strength is NaN.

    The same ramp as `vocabulary.Fault.target`, for all frames and faults at once.
    """
    clean = torch.tensor([row.clean_below for row in FAULTS], device=strength.device)
    counts = torch.tensor([row.counts_from for row in FAULTS], device=strength.device)
    return ((strength - clean) / (counts - clean)).clamp(0.0, 1.0)


def shape_of(config: TrainConfig, set_name: str, index: int) -> tuple[int, int]:
    """Height and width of batch number `index` of a set."""
    weights = np.array(config.shape_weights) / sum(config.shape_weights)
    group = index // ALIKE if set_name == TRAINING else index
    rng = stream(config.seed, set_name, "shape", group)
    return config.shapes[int(rng.choice(len(weights), p=weights))]


def is_lone(config: TrainConfig, set_name: str, index: int) -> bool:
    """Whether the frames of a batch are each a run of their own; never in a held-out set."""
    rng = stream(config.seed, set_name, "lone", index // ALIKE)
    return set_name == TRAINING and rng.random() < config.lone_share


def frames_at_a_time(config: TrainConfig, height: int, width: int) -> int:
    """`render_batch`, or as many whole runs of large frames as memory allows, one at least."""
    affordable = int(1e6 * config.largest_batch_mpx / (height * width))
    return min(config.render_batch, max(1, affordable // RUN_FRAMES) * RUN_FRAMES)


def batches_for(config: TrainConfig, set_name: str, frames: int) -> int:
    """How many batches of a set hold at least `frames` frames."""
    batches = 0
    while frames > 0:
        frames -= frames_at_a_time(config, *shape_of(config, set_name, batches))
        batches += 1
    return batches


def plan_batch(config: TrainConfig, set_name: str, index: int) -> Plan:
    """The scenes of batch number `index`: numpy work, done in worker processes."""
    height, width = shape_of(config, set_name, index)
    frames = frames_at_a_time(config, height, width)
    faults = () if set_name == CLEAN else None
    run_frames = 1 if is_lone(config, set_name, index) else RUN_FRAMES
    seed = seed_of(config.seed, set_name)
    return draw_plan(seed, index, frames, width, height, faults=faults, run_frames=run_frames)


def render_sample(
    config: TrainConfig,
    set_name: str,
    index: int,
    device: torch.device,
    plan: Plan | None = None,
) -> Sample:
    """Batch number `index` of a set: frames of one shape, in whole runs."""
    plan = plan or plan_batch(config, set_name, index)
    batch = render_plan(plan, seed_of(config.seed, set_name), index, str(device))
    strange = ((batch.run + index) % NOT_SKY_EVERY == NOT_SKY_EVERY - 1).nonzero()[:, 0]
    if len(strange) and set_name != CLEAN:
        painter = stream(config.seed, set_name, "not sky", index)
        grain = torch_stream(str(device), seed_of(config.seed, set_name), "not sky", index)
        batch.pixels[strange] = paint_not_sky(batch.pixels[strange], painter, grain)
        batch.strength[strange] = torch.nan
    rng = stream(config.seed, set_name, "facts", index)
    physical = torch.stack([batch.physical[name] for name in PHYSICAL], 1)
    physical = _forget(physical, batch.run, config.physical_dropout, rng)
    views = _compact(make_views(batch.pixels, physical, lines=config.lines))
    first = index * config.render_batch
    context = _contexts(views, batch.run)
    sample = Sample(views, context, batch.strength, batch.run + first)
    if config.cell_weight > 0:
        sample.cells = fault_cells(batch.scenes, device)
    return sample


def _forget(physical: Tensor, run: Tensor, share: float, rng: np.random.Generator) -> Tensor:
    """Physical facts (B, len(PHYSICAL)) with some unknown: whole runs forget, as files do."""
    physical = physical.clone()
    runs = int(run.max()) + 1
    for names, ease in FACT_GROUPS:
        lost = torch.from_numpy(rng.random(runs) < min(share * ease, 0.9)).to(run.device)[run]
        for name in names:
            column = PHYSICAL.index(name)
            physical[:, column] = torch.where(lost, torch.nan, physical[:, column])
    return physical


def _contexts(views: Views, run: Tensor) -> Tensor:
    """Context of a batch of whole runs, in order; their company is added where it is known."""
    return each_run(run, run_context, shape_facts(views))


PICTURES = ("sky", "sheet", "stack", "bright", "tiles")


def _compact(views: Views) -> Views:
    """Pictures as float16, numbers as they are: what is kept of a rendered frame."""
    halves = {name: getattr(views, name).half() for name in PICTURES}
    return replace(views, **halves)


def held_out(
    config: TrainConfig, set_name: str, frames: int, device: torch.device
) -> Iterator[Sample]:
    """The first batches of a held-out set, `frames` frames in all (the last batch is cut)."""
    index = 0
    while frames > 0:
        sample = render_sample(config, set_name, index, device)
        if len(sample) > frames:
            sample = sample.rows(torch.arange(frames, device=sample.run.device))
        frames -= len(sample)
        index += 1
        yield sample


def _some_stars(count: int, rng: np.random.Generator) -> np.ndarray:
    """Numbers of `count` star cut-outs of a sheet: the best ones always, the rest at random.

    A field that is seen again with other stars is not so easily known by heart.
    """
    best = 2 * count // 5
    others = rng.choice(np.arange(best, STARS), count - best, replace=False)
    return np.concatenate((np.arange(best), np.sort(others)))


class Buffer:
    """The latest rendered frames, kept on the device so that each is used several times."""

    def __init__(self, capacity: int):
        self.capacity = capacity
        self.filled = 0
        self._next = 0
        self._store: Sample | None = None
        self._order = np.zeros(0, np.int64)

    def add(self, sample: Sample) -> int:
        """Store a batch but for frames that are not sound, and say how many those are; the oldest
        frames give way."""
        sound = sample.is_sound
        left_out = int((~sound).sum())
        if left_out:
            sample = sample.rows(sound)
        if self._store is None:
            first = torch.zeros(self.capacity, dtype=torch.long, device=sample.run.device)
            self._store = sample.rows(first)
        count = min(len(sample), self.capacity)
        rows = (self._next + torch.arange(count, device=sample.run.device)) % self.capacity
        for name in Views.__dataclass_fields__:
            getattr(self._store.views, name)[rows] = getattr(sample.views, name)[:count]
        for name in ("context", "strength", "run", "cells"):
            getattr(self._store, name)[rows] = getattr(sample, name)[:count]
        self._next = (self._next + count) % self.capacity
        self.filled = min(self.filled + count, self.capacity)
        return left_out

    def draw(self, count: int, rng: np.random.Generator, config: TrainConfig) -> Sample:
        """Frames in random order, some of them without their run."""
        if self._store is None:
            raise ValueError("the buffer is empty: add frames before drawing from it")
        device = self._store.run.device
        drawn = self._store.rows(torch.from_numpy(self._next_rows(count, rng)).to(device))
        views = drawn.views
        chosen = _some_stars(int(rng.choice(config.stars_in_training)), rng)
        stars = torch.from_numpy(chosen).to(device)
        views.sheet, views.sheet_facts = views.sheet[:, stars], views.sheet_facts[:, stars]
        alone = torch.from_numpy(rng.random(count) < config.context_dropout).to(device)
        context = torch.where(alone[:, None], torch.nan, drawn.context)
        return Sample(views, context, drawn.strength, drawn.run, drawn.cells)

    def _next_rows(self, count: int, rng: np.random.Generator) -> np.ndarray:
        """Rows as from a shuffled pack that is dealt to its end: no frame twice before all once."""
        while len(self._order) < count:
            self._order = np.concatenate((self._order, rng.permutation(self.filled)))
        rows, self._order = self._order[:count], self._order[count:]
        return rows
