"""The network: one encoder per view, fused to features, judged to one logit per fault.

`encode` sees a single frame; `judge` adds how the frame stands in its run. Labelling can so
encode every frame as it is read and judge when the run is known, and retraining on somebody's
own rejects touches `judge` alone.
"""

import copy
import itertools
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass

import torch
from torch import Tensor, nn
from torch.nn.utils.fusion import fuse_conv_bn_eval

from classifier import committee
from classifier.context import CONTEXT, FIRST
from classifier.encoders import (
    PictureEncoder,
    SetEncoder,
    StarEncoder,
    Steps,
    hidden_layer,
    number_encoder,
    star_rays,
    wide_number_encoder,
)
from classifier.line_view import LOOKS
from classifier.ray_encoder import RayEncoder
from classifier.sheet import SHAPE_FACTS
from classifier.views import BRIGHT_PX, FACT_COUNT, SKY_CHANNELS, Views

# Levels as logarithms of ADU compare frames of a run; the network itself must not see them.
_HIDDEN_FACTS = tuple(SHAPE_FACTS.index(n) for n in ("log_star_flux", "log_sky", "log_noise"))


# The encoders, in the order in which their vectors are joined.
BRANCHES = ("sky", "stars", "stack", "bright", "tiles", "facts")
# Of networks that look along the best lines of the frame, behind the others.
LINES = "lines"
# On which the numbers beside the run are heard. A tenth of a magnitude of haze, the thousandfold
# sky of dawn: one weight for both would see only one of them.
SCALES = (0.01, 0.03, 0.1, 0.3, 1.0, 3.0)


@dataclass(frozen=True)
class NetworkConfig:
    """Widths of the parts; `width` scales every encoder, `features` is the fused length.

    sky_blocks: residual blocks of the sky picture at each size. sky_stages: how many of its
    sizes, the coarsest first, hand on their mean and maximum: what is small shows in finer maps.
    branch_dropout: in training, the share of frames for which a branch is left out, each of
    them on its own. No branch can then leave to the others what only it sees well, nor learn a
    field by heart that the others would recognise too.
    company: whether the features of the run's middle are judged beside the frame's own, and how
    far from them these lie. company_dropout: of what is told by them, in training.
    lines: how lines are looked along, a number of `line_view.LOOKS`; none has a branch for 0.
    scales: whether the numbers that tell how a frame stands in its run are heard on several
    scales, all of them; without, the first of them as they are.
    rays: whether stars are read along rays: the stack in that way alone, cut-outs and bright stars
    in that way too.
    in_steps: whether the facts of the frame are told in steps (`encoders.Steps`), and all numbers
    heard by wide layers.
    members: how many judge the frame, each by a share of the features (see `committee`); ValueError
    where these leave a rest.
    """

    width: int = 32
    features: int = 256
    star_features: int = 128
    dropout: float = 0.1
    sky_blocks: int = 1
    sky_stages: int = 1
    branch_dropout: float = 0.0
    company: bool = False
    company_dropout: float = 0.2
    lines: int = 0
    scales: bool = False
    rays: bool = False
    in_steps: bool = False
    members: int = 1

    def __post_init__(self) -> None:
        if self.members < 1 or self.features % self.members:
            raise ValueError(
                f"{self.features} features cannot be shared out among {self.members} members"
            )

    def as_dict(self) -> dict[str, int | float]:
        return asdict(self)


class Network(nn.Module):
    """Views and run context -> one logit per fault of the vocabulary."""

    shown_facts: Tensor
    sizes: Tensor

    def __init__(self, config: NetworkConfig | None = None):
        super().__init__()
        self.config = config or NetworkConfig()
        w = self.config.width
        self.sky = PictureEncoder(
            SKY_CHANNELS,
            (w, w, 2 * w, 4 * w, 6 * w, 8 * w),
            stem_stride=2,
            blocks=self.config.sky_blocks,
            stages=self.config.sky_stages,
        )
        self.stars = StarEncoder(w, self.config.star_features, self.config.rays)
        rays = None
        if self.config.rays:
            self.stack: PictureEncoder | RayEncoder = star_rays(4, w)
            rays = RayEncoder(1, BRIGHT_PX, w, innermost_px=3.0, radii=32, rays=120, folds=24)
        else:
            self.stack = PictureEncoder(4, (w, 2 * w, 4 * w, 4 * w))
        self.bright = SetEncoder((w // 2, w, 2 * w, 3 * w, 4 * w), stem_stride=2, rays=rays)
        self.tiles = SetEncoder((w // 2, w, 2 * w, 2 * w))
        if self.config.in_steps:
            self.facts = wide_number_encoder(FACT_COUNT, 4 * w, 12 * w, in_steps=True)
        else:
            self.facts = number_encoder(FACT_COUNT, 4 * w)
        # A tensor made once: a list of numbers would be copied to the device at every call.
        shown = torch.ones(FACT_COUNT)
        shown[list(_HIDDEN_FACTS)] = 0.0
        self.register_buffer("shown_facts", shown, persistent=False)
        parts = (self.sky, self.stars, self.stack, self.bright, self.tiles)
        self.branch_features = (*(part.out_features for part in parts), 4 * w)
        self.branches: tuple[str, ...] = BRANCHES
        total = sum(self.branch_features)
        members, features = self.config.members, self.config.features
        self.fuse = committee.fuses(total, features, self.config.dropout, members)
        self.head = committee.heads(features, 2 * len(FIRST), members)
        judged_by = committee.hidden(features, members)
        self.strange = nn.Sequential(
            nn.ReLU(),
            nn.Linear(self.config.features, self.config.features // 4),
            nn.ReLU(inplace=True),
            nn.Linear(self.config.features // 4, 1),
        )
        if self.config.company:
            listen = nn.Linear(2 * self.config.features, judged_by, bias=False)
            # A network that is trained on begins with what it said without its company.
            nn.init.zeros_(listen.weight)
            self.company = nn.Sequential(
                nn.BatchNorm1d(2 * self.config.features, affine=False),
                nn.Dropout(self.config.company_dropout),
                listen,
            )
        if self.config.scales:
            count = len(SCALES) * len(CONTEXT)
            wide = 8 * w if self.config.in_steps else 4 * w
            if self.config.in_steps:
                hidden = hidden_layer(count, wide)
            else:
                hidden = nn.Sequential(nn.Linear(count, wide), nn.ReLU(inplace=True))
            last = nn.Linear(wide, judged_by, bias=False)
            nn.init.zeros_(last.weight)
            self.scales = nn.Sequential(*hidden, last)
            self.register_buffer("sizes", torch.tensor(SCALES), persistent=False)
        if self.config.lines:
            self.branches = (*BRANCHES, LINES)
            self.branch_features = (*self.branch_features, 4 * w)
            count = LOOKS[self.config.lines].count
            if self.config.in_steps:
                self.lines = wide_number_encoder(count, 4 * w, 8 * w)
            else:
                self.lines = number_encoder(count, 4 * w)
            # As with company: a network that is trained on begins with what it said before.
            self.lines_heard = nn.Linear(4 * w, 2 * self.config.features, bias=False)
            nn.init.zeros_(self.lines_heard.weight)

    def lay_steps(self, facts: Tensor) -> None:
        """Have facts that are told in steps told in those of some frames (N, FACT_COUNT)."""
        if isinstance(self.facts[0], Steps):
            self.facts[0].lay(facts * self.shown_facts)

    @property
    def of_numbers(self) -> list[nn.Parameter]:
        """Weights that numbers are heard by, of which each has a meaning of its own."""
        heard = [self.facts]
        if self.config.lines:
            heard.append(self.lines)
        if self.config.scales:
            heard.append(self.scales)
        return [weights for each in heard for weights in each.parameters()]

    def encode(self, views: Views, without: Sequence[str] = ()) -> Tensor:
        """Views of B frames -> features (B, config.features).

        without: names of `branches` that are to tell nothing, to see what the others know.
        """
        return self.join(self.told(views), without)

    def told(self, views: Views, sky_maps: list[Tensor] | None = None) -> list[Tensor]:
        """What each of `branches` says of B frames: vectors (B, n), of different lengths.

        sky_maps: `sky.maps` of these frames, where they have been worked out before.
        """
        numbers = views.facts * self.shown_facts
        along = [self.lines(views.lines).clamp(-20, 20)] if self.config.lines else []
        return [
            self.sky.pooled(self.sky.maps(views.sky) if sky_maps is None else sky_maps),
            self.stars(views.sheet, views.sheet_facts),
            self.stack(views.stack),
            self.bright(views.bright),
            self.tiles(views.tiles),
            self.facts(numbers).clamp(-20, 20),
            *along,
        ]

    def join(self, told: list[Tensor], without: Sequence[str] = ()) -> Tensor:
        """What `told` gave -> features (B, config.features)."""
        kept = self._kept(told, without)
        beside = torch.cat(kept[: len(BRANCHES)], 1)
        fuses = committee.each(self.fuse)
        joined = [fuse[:3](beside) for fuse in fuses]
        if self.config.lines:
            heard = self.lines_heard(kept[-1]).chunk(len(fuses), 1)
            joined = [one + lines for one, lines in zip(joined, heard, strict=True)]
        return torch.cat([fuse[3:](one) for fuse, one in zip(fuses, joined, strict=True)], 1)

    def _kept(self, told: list[Tensor], without: Sequence[str]) -> list[Tensor]:
        """The branches' vectors, zeros for those left out on purpose or, in training, by chance."""
        if unknown := set(without) - set(self.branches):
            names = ", ".join(self.branches)
            raise ValueError(f"{sorted(unknown)} are no branches; they are {names}")
        if self.training and self.config.branch_dropout > 0:
            shape = (len(told[0]), len(told), 1)
            kept = torch.rand(shape, device=told[0].device) >= self.config.branch_dropout
            told = [part * kept[:, number] for number, part in enumerate(told)]
        return [
            torch.zeros_like(part) if name in without else part
            for name, part in zip(self.branches, told, strict=True)
        ]

    def judge(self, features: Tensor, context: Tensor) -> Tensor:
        """Features (B, D) and run context -> logits (B, 16).

        context: (B, len(CONTEXT) + D) as `context.beside_run` gives it, NaN unknown; without the D
        columns of the company that is unknown.
        """
        return self.opinions(features, context).mean(1)

    def opinions(self, features: Tensor, context: Tensor) -> Tensor:
        """The same member by member: (B, members, 16)."""
        first = context[:, : len(FIRST)]
        known = (~first.isnan()).to(features.dtype)
        first = first.nan_to_num(0.0).clamp(-5, 5).to(features.dtype)
        heads = committee.each(self.head)
        own = features.chunk(len(heads), 1)
        hidden = torch.cat(
            [h[:2](torch.cat((f, first, known), 1)) for h, f in zip(heads, own, strict=True)], 1
        )
        for told in self._beside(features, context):
            hidden = hidden + told
        shares = hidden.chunk(len(heads), 1)
        return torch.stack([h[2:](s) for h, s in zip(heads, shares, strict=True)], 1)

    def _beside(self, features: Tensor, context: Tensor) -> Iterator[Tensor]:
        """What is heard of the run, beside `first`: by numbers and by its middle."""
        numbers = context[:, : len(CONTEXT)]
        if self.config.scales:
            # In 32 bits: what the smallest scale shows is lost on fewer.
            scaled = torch.tanh(numbers.float()[..., None] / self.sizes).flatten(1)
            told = self.scales(scaled.nan_to_num(0.0).to(features.dtype))
            yield told * ~numbers.isnan().any(1, keepdim=True)
        if self.config.company and context.shape[1] > len(CONTEXT):
            company = context[:, len(CONTEXT) :].to(features.dtype)
            beside = torch.cat((company, features - company), 1)
            known = ~company.isnan().any(1, keepdim=True)
            told = self.company(torch.where(known, beside, torch.zeros_like(beside)))
            yield told * known

    def strangeness(self, features: Tensor) -> Tensor:
        """Features (B, D) -> (B,) logit that the frame is no sub of a star field at all."""
        return self.strange(features)[:, 0]

    def forward(self, views: Views, context: Tensor) -> Tensor:
        return self.judge(self.encode(views), context)


def folded(network: Network) -> Network:
    """A copy of a network in eval mode that gives the same features in nine tenths of the time on a
    CPU: batch norms multiplied into the convolutions before them, channels laid last."""
    copied = copy.deepcopy(network).eval()
    for module in list(copied.modules()):
        parts = list(module.named_children())
        for (name, part), (after, norm) in itertools.pairwise(parts):
            if isinstance(part, nn.Conv2d) and isinstance(norm, nn.BatchNorm2d):
                setattr(module, name, fuse_conv_bn_eval(part, norm))
                setattr(module, after, nn.Identity())
    return copied.to(memory_format=torch.channels_last)
