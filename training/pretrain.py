"""The star branch learns from star cut-outs alone, before any whole frame is rendered.

Cut-outs cost a small part of a frame, so the encoders of the sheet and of the stack see far more
stars this way than frames could show them. They are told the faults of the star's shape through
a head of their own, which is thrown away. Sky faults and the run are left to whole frames.
"""

import time
from collections import deque
from collections.abc import Iterator
from concurrent.futures import Executor, Future
from dataclasses import dataclass
from itertools import count

import torch
from torch import Tensor, nn

from classifier.errors import UsageError
from classifier.network import Network
from classifier.vocabulary import INDEX
from synth.rng import seed_of, stream
from synth.sheet_plan import SheetPlan, plan_sheets
from synth.star_scenes import STAR_KEYS, draw_star_scenes
from training.config import TrainConfig
from training.data import shape_of, targets_of
from training.loop import autocast, masked_loss, rate_at
from training.sheets import Sheets, render_sheets

STARS_ALONE = "star cut-outs"  # name of the random streams: none of a whole frame's


@dataclass(frozen=True)
class Pretrained:
    """What was done: steps, cut-outs seen (with a star in them), seconds, first and last loss.

    The losses are means over the first and the last tenth of the steps, in nats.
    """

    steps: int
    cutouts: int
    seconds: float
    first_loss: float
    last_loss: float


def pretrain(
    network: Network,
    config: TrainConfig,
    device: torch.device,
    seconds: float | None = None,
    pool: Executor | None = None,
) -> Pretrained:
    """Train `network.stars` and `network.stack` in place until the time is up.

    seconds: config.pretrain.seconds unless given. pool: processes that draw scenes ahead; without
    them everything happens here. Raises UsageError where the loss is no number any more.
    """
    limit = config.pretrain.seconds if seconds is None else seconds
    started = time.monotonic()
    learner = StarLearner(network, config, device)
    rng = stream(config.seed, STARS_ALONE, "order")
    losses: list[Tensor] = []
    held = torch.zeros((), device=device)

    def progress() -> float:
        by_time = (time.monotonic() - started) / max(limit, 1e-6)
        return max(by_time, len(losses) / (config.pretrain.steps or float("inf")))

    for sheets in _endless(config, device, pool):
        stars = int(rng.choice(config.stars_in_training))
        held += sheets.facts[:, :stars, 4].sum()
        losses.append(learner.step(sheets, rate_at(min(1.0, progress()), config), stars))
        if device.type == "cuda":
            torch.cuda.current_stream().synchronize()  # the clock must not run ahead of the work
        if progress() >= 1:
            break
    curve = torch.stack(losses).cpu()
    if not curve.isfinite().all():
        raise UsageError(
            f"The loss on star cut-outs is no number after {len(losses)} steps; lower "
            "learning_rate, or set seconds = 0 in [pretrain]."
        )
    tenth = max(1, len(losses) // 10)
    return Pretrained(
        len(losses),
        int(held),
        time.monotonic() - started,
        float(curve[:tenth].mean()),
        float(curve[-tenth:].mean()),
    )


class StarLearner:
    """The star branch of a network with a head of its own, and their optimiser."""

    def __init__(self, network: Network, config: TrainConfig, device: torch.device):
        self.config, self.device = config, device
        layout = torch.channels_last if device.type == "cuda" else torch.preserve_format
        network.to(device).to(memory_format=layout).train()
        self.stars, self.stack = network.stars, network.stack
        features = self.stars.out_features + self.stack.out_features
        self.head = nn.Sequential(
            nn.LayerNorm(features),
            nn.Linear(features, network.config.features),
            nn.ReLU(inplace=True),
            nn.Linear(network.config.features, len(STAR_KEYS)),
        ).to(device)
        self.columns = [INDEX[key] for key in STAR_KEYS]
        parts = nn.ModuleList((self.stars, self.stack, self.head))
        self.parameters = [p for p in parts.parameters() if p.requires_grad]
        self.optimiser = torch.optim.AdamW(
            [
                {
                    "params": [p for p in self.parameters if p.ndim > 1],
                    "weight_decay": config.weight_decay,
                },
                {"params": [p for p in self.parameters if p.ndim <= 1], "weight_decay": 0.0},
            ],
            lr=config.learning_rate,
            betas=(0.9, 0.98),
        )

    def logits(self, sheets: Sheets, stars: int = 64) -> Tensor:
        """(B, len(STAR_KEYS)) from the best `stars` stars of each frame."""
        with autocast(self.device, self.config.bf16):
            features = torch.cat(
                (
                    self.stars(sheets.cutouts[:, :stars], sheets.facts[:, :stars]),
                    self.stack(sheets.stack),
                ),
                1,
            )
            return self.head(features)

    def step(self, sheets: Sheets, rate: float, stars: int = 64) -> Tensor:
        """Learn from one batch once; returns its loss, still on the device."""
        for group in self.optimiser.param_groups:
            group["lr"] = rate
        targets = targets_of(sheets.strength)[:, self.columns]
        loss = masked_loss(self.logits(sheets, stars), targets)
        self.optimiser.zero_grad(set_to_none=True)
        loss.backward()
        nn.utils.clip_grad_norm_(self.parameters, self.config.clip_norm)
        self.optimiser.step()
        return loss.detach()


def plan_star_batch(config: TrainConfig, index: int) -> SheetPlan:
    """Batch number `index` of the scenes that cut-outs are rendered from: for worker processes."""
    height, width = shape_of(config, STARS_ALONE, index)
    frames = config.pretrain.frames
    scenes = draw_star_scenes(seed_of(config.seed, STARS_ALONE), index, frames, width, height)
    return plan_sheets(scenes)


def _endless(config: TrainConfig, device: torch.device, pool: Executor | None) -> Iterator[Sheets]:
    seed = seed_of(config.seed, STARS_ALONE)
    for index, plan in _plans(config, pool):
        yield from render_sheets(plan, seed, index, device, times=config.pretrain.times)


def _plans(config: TrainConfig, pool: Executor | None) -> Iterator[tuple[int, SheetPlan]]:
    """Plans in order, drawn ahead where there are processes to do it."""
    numbers = count()
    if pool is None:
        yield from ((index, plan_star_batch(config, index)) for index in numbers)
        return
    ahead: deque[Future[SheetPlan]] = deque()
    try:
        for index in numbers:
            while len(ahead) < 2 * config.workers:
                number = index + len(ahead)
                ahead.append(pool.submit(plan_star_batch, config, number))
            yield index, ahead.popleft().result()
    finally:
        for future in ahead:
            future.cancel()
