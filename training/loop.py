"""One training step, the running average of the weights, and answers for many frames.

Nothing here knows where the frames come from or when to stop: `train.py` tells that story.
"""

import math
from copy import deepcopy

import torch
import torch.nn.functional as F
from torch import Tensor, nn

from classifier.context import CONTEXT, run_company
from classifier.network import Network
from classifier.views import Views
from training.branch_lessons import BranchLessons
from training.config import TrainConfig
from training.data import Sample
from training.orthogonal import OrthogonalSteps
from training.ranks import Ranks
from training.recording import Lesson, Recorded, forget_gradients
from training.run_blocks import each_run

# A training that comes to no number more often than so has another fault than bad luck.
MOST_RETURNS = 3
# Of the loss on strangeness beside that of the labels, which is a mean over 16.
STRANGE_WEIGHT = 0.1


def masked_loss(logits: Tensor, targets: Tensor) -> Tensor:
    """Mean binary cross-entropy in nats over the known targets; soft targets as they are.

    logits, targets: of one shape (B, ..., 16), targets NaN where unknown. Every label weighs the
    same per frame.
    """
    known = ~targets.isnan()
    loss = F.binary_cross_entropy_with_logits(
        logits.float(), torch.where(known, targets, 0.0), reduction="none"
    )
    return (loss * known).sum() / known.sum().clamp_min(1)


def rate_at(progress: float, config: TrainConfig) -> float:
    """Learning rate at a progress of 0 to 1: a straight rise, then a cosine down."""
    if progress < config.warm_up:
        return config.learning_rate * progress / config.warm_up
    along = min(1.0, (progress - config.warm_up) / max(1e-9, 1 - config.warm_up))
    low = config.final_rate
    return config.learning_rate * (low + (1 - low) * 0.5 * (1 + math.cos(math.pi * along)))


class Trainer:
    """A network in training with its optimiser and the running average of its weights."""

    def __init__(
        self,
        network: Network,
        config: TrainConfig,
        device: torch.device,
        ranks: Ranks | None = None,
    ):
        self.config = config
        self.device = device
        self.ranks = ranks or Ranks()
        # Channels last is what the GPU's convolutions want in half precision.
        layout = torch.channels_last if device.type == "cuda" else torch.preserve_format
        self.network = network.to(device).to(memory_format=layout).train()
        with torch.no_grad():
            self.ranks.copy_from_first([*self.network.parameters(), *self.network.buffers()])
        # Heads of the branches' own, which no model keeps.
        self.lessons = BranchLessons(self.network).to(device)
        with torch.no_grad():
            self.ranks.copy_from_first([*self.lessons.parameters()])
        self.average = deepcopy(self.network).eval().requires_grad_(False)
        self.steps = 0
        self._kept: list[dict[str, Tensor]] = []
        self._returns = 0
        self._recorded: Recorded | None = None
        self.learning = [*self.network.parameters(), *self.lessons.parameters()]
        plain = {id(weights) for weights in self.network.of_numbers}
        self.optimisers = _optimisers(self.learning, config, device.type == "cuda", plain)

    def lay_steps(self, samples: list[Sample]) -> None:
        """Facts that are told in steps have them where those of these frames lie."""
        facts = torch.cat([sample.views.facts for sample in samples])
        for network in (self.network, self.average):
            network.lay_steps(facts)
            with torch.no_grad():
                self.ranks.copy_from_first([*network.buffers()])

    def step(self, sample: Sample, rate: float) -> Tensor:
        """Learn from one batch once; returns its loss, still on the device."""
        for optimiser in self.optimisers:
            for group in optimiser.param_groups:
                group["lr"] = rate
        lesson = Lesson.of(sample)
        if self._recorded is not None and self._recorded.fits(lesson):
            loss = self._recorded.replay(lesson)
        else:
            forget_gradients(self.learning)
            loss = self._differentiate(lesson)
        self.ranks.average([p.grad for p in self.learning if p.grad is not None])
        nn.utils.clip_grad_norm_(self.learning, self.config.clip_norm)
        for optimiser in self.optimisers:
            optimiser.step()
        self.steps += 1
        self._follow()
        return loss

    def record(self, sample: Sample) -> None:
        """On a GPU, from here on play batches of this sample's size from a recording of the
        kernels: Python, which the rendering needs too, then starts one graph instead of a
        thousand kernels. Only running means of the network change."""
        if self.device.type != "cuda":
            return
        lesson = Lesson.of(sample)
        # The shapes of a recording never change: fast kernels are looked for. Elsewhere batches
        # end in many sizes, and each would be looked for anew.
        before, torch.backends.cudnn.benchmark = torch.backends.cudnn.benchmark, True
        self._recorded = Recorded(lesson, self._differentiate, self.learning)
        torch.backends.cudnn.benchmark = before
        self._recorded.lend_gradients()
        for optimiser in self.optimisers:
            if isinstance(optimiser, OrthogonalSteps):
                optimiser.record()

    def _differentiate(self, lesson: Lesson) -> Tensor:
        """Loss of one batch's labels; the gradients of all that is asked, added to the weights'."""
        halved = self.config.bf16 and self.device.type == "cuda"
        views = lesson.views if halved else lesson.views.float()
        with autocast(self.device, self.config.bf16):
            maps = self.network.sky.maps(views.sky)
            told = self.network.told(views, maps)
            features = self.network.join(told)
            opinions = self.network.opinions(features, lesson.context)
            strange = self.network.strangeness(features)
            alone = self._lessons(told, maps, lesson)
        # Each member is asked on its own: asked together they would share the work, and err alike.
        loss = masked_loss(opinions, lesson.targets[:, None].expand_as(opinions))
        strangeness = F.binary_cross_entropy_with_logits(strange.float(), 1.0 - lesson.is_sky)
        (loss + alone + STRANGE_WEIGHT * strangeness).backward()
        return loss.detach()

    def _lessons(self, told: list[Tensor], maps: list[Tensor], lesson: Lesson) -> Tensor:
        """What the branches are asked on their own, weighed; what weighs nothing is not asked."""
        config, loss = self.config, torch.zeros((), device=self.device)
        if config.branch_weight:
            loss = loss + config.branch_weight * self.lessons.loss(told, lesson.targets)
        if config.cell_weight:
            where = self.lessons.cell_loss(maps, lesson.targets, lesson.cells)
            loss = loss + config.cell_weight * where
        return loss

    @property
    def is_sound(self) -> bool:
        """Whether all weights of the average are numbers."""
        return all(bool(weights.isfinite().all()) for weights in self.average.parameters())

    def keep(self) -> None:
        """Remember the average as it is now, and the branches' own heads, to return to."""
        parts = self.average, self.lessons
        self._kept = [{n: t.clone() for n, t in part.state_dict().items()} for part in parts]

    def return_to_kept(self) -> bool:
        """Go on from what was kept, with an optimiser that remembers nothing; False where nothing
        was kept, or too often gone back to."""
        if not self._kept or self._returns >= MOST_RETURNS:
            return False
        self._returns += 1
        average, lessons = self._kept
        for network in (self.network, self.average):
            network.load_state_dict(average)
        self.lessons.load_state_dict(lessons)
        for optimiser in self.optimisers:
            if isinstance(optimiser, OrthogonalSteps):
                optimiser.forget()
            else:
                optimiser.state.clear()
        return True

    def settle_average(self) -> None:
        """The running means of the average network, which every process has of its own frames,
        made the same everywhere."""
        self.ranks.average(_float_buffers(self.average))

    @torch.no_grad()
    def _follow(self) -> None:
        """Move the running average a little towards the weights; early on, a lot."""
        weight = 1 - min(self.config.ema, (1 + self.steps) / (10 + self.steps))
        mine = [*self.average.parameters(), *_float_buffers(self.average)]
        theirs = [*self.network.parameters(), *_float_buffers(self.network)]
        torch._foreach_lerp_(mine, [tensor.detach() for tensor in theirs], weight)


def autocast(device: torch.device, bf16: bool) -> torch.autocast:
    """bfloat16 products on a GPU where asked for; a no-op elsewhere."""
    return torch.autocast(device.type, torch.bfloat16, enabled=bf16 and device.type == "cuda")


# A matrix of fewer rows or columns is a first or a last layer, which learns as AdamW does.
LEAST_ORTHOGONAL = 32


def _optimisers(
    learning: list[nn.Parameter], config: TrainConfig, fused: bool, plain: set[int]
) -> list[torch.optim.Optimizer]:
    """AdamW for all that learns, or beside it orthogonal steps for the matrices where asked for,
    but for weights whose id is in `plain`."""

    def turns(weights: nn.Parameter) -> bool:
        return config.orthogonal and id(weights) not in plain and _is_inner(weights)

    moving = [p for p in learning if p.requires_grad]
    inner = [p for p in moving if turns(p)]
    others = [p for p in moving if not turns(p)]
    decay = config.weight_decay
    adam = torch.optim.AdamW(
        # Weights proper decay, offsets and norms do not.
        [
            {"params": [p for p in others if p.ndim > 1], "weight_decay": decay},
            {"params": [p for p in others if p.ndim <= 1], "weight_decay": 0.0},
        ],
        lr=config.learning_rate,
        betas=(0.9, 0.98),
        fused=fused,
    )
    return [adam, OrthogonalSteps(inner, config.learning_rate, decay)] if inner else [adam]


def _is_inner(weights: nn.Parameter) -> bool:
    return weights.ndim > 1 and min(len(weights), weights[0].numel()) >= LEAST_ORTHOGONAL


def _float_buffers(network: nn.Module) -> list[Tensor]:
    return [buffer for buffer in network.buffers() if buffer.is_floating_point()]


@torch.inference_mode()
def encode_all(network: Network, views: Views, batch: int = 128) -> Tensor:
    """Views of N frames, on any device -> features (N, D) float32 on the network's device."""
    device = next(network.parameters()).device
    parts = []
    for start in range(0, len(views), batch):
        part = views[start : start + batch].to(device).float()
        parts.append(network.encode(part).float())
    return torch.cat(parts)


def with_company(context: Tensor, features: Tensor, run: Tensor) -> Tensor:
    """Numbers of the context (N, >= len(CONTEXT)) and features (N, D) of frames whose runs `run`
    (N,) lie side by side -> what `Network.judge` takes as context, on the features' device."""
    numbers = context[:, : len(CONTEXT)].to(features.device)
    return torch.cat((numbers, each_run(run, run_company, features)), 1)


@torch.inference_mode()
def judge_both(
    network: Network, features: Tensor, context: Tensor, run: Tensor
) -> tuple[Tensor, Tensor]:
    """Logits (N, 16) of frames beside their run, and of the same frames alone; on the CPU.

    context: (N, len(CONTEXT)); run: (N,) whose frames lie side by side.
    """
    context = with_company(context, features, run)
    beside = network.judge(features, context)
    alone = network.judge(features, torch.full_like(context, torch.nan))
    return beside.float().cpu(), alone.float().cpu()
