"""The network: one encoder per view, fused to features, judged to one logit per fault.

`encode` sees a single frame; `judge` adds how the frame stands in its run. Labelling can so
encode every frame as it is read and judge when the run is known, and retraining on somebody's
own rejects touches `judge` alone. Convolution blocks are torchvision's.
"""

import copy
import itertools
from collections.abc import Sequence
from dataclasses import asdict, dataclass

import torch
from torch import Tensor, nn
from torch.nn.utils.fusion import fuse_conv_bn_eval
from torchvision.models.resnet import BasicBlock

from classifier.context import CONTEXT, FIRST
from classifier.line_view import LOOKS
from classifier.ray_encoder import RayEncoder
from classifier.sheet import CUT_PX, SHAPE_FACTS
from classifier.views import BRIGHT_PX, FACT_COUNT, SKY_CHANNELS, Views
from classifier.vocabulary import KEYS

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

    def as_dict(self) -> dict[str, int | float]:
        return asdict(self)


def _block(inward: int, outward: int, stride: int) -> nn.Module:
    """torchvision's residual block, with a projection where the shape changes."""
    project = None
    if stride != 1 or inward != outward:
        project = nn.Sequential(
            nn.Conv2d(inward, outward, 1, stride, bias=False), nn.BatchNorm2d(outward)
        )
    return BasicBlock(inward, outward, stride, project)


class PictureEncoder(nn.Module):
    """(N, channels, side, side) -> (N, out_features): mean and maximum of the last `stages` maps.

    `blocks` residual blocks stand at each size, of which the first halves the picture.
    """

    def __init__(
        self,
        channels: int,
        widths: tuple[int, ...],
        stem_stride: int = 1,
        blocks: int = 1,
        stages: int = 1,
    ):
        super().__init__()
        self.stem = nn.Sequential(
            nn.Conv2d(channels, widths[0], 3, stem_stride, 1, bias=False),
            nn.BatchNorm2d(widths[0]),
            nn.ReLU(inplace=True),
        )
        pairs = itertools.pairwise(widths)
        sizes = [[_block(a, b, 2), *(_block(b, b, 1) for _ in range(blocks - 1))] for a, b in pairs]
        # One block alone is named as it was before there could be more.
        self.blocks = nn.Sequential(*(s[0] if blocks == 1 else nn.Sequential(*s) for s in sizes))
        self.stages = stages
        self.out_features = 2 * sum(widths[-stages:])

    def forward(self, picture: Tensor) -> Tensor:
        maps, told = self.stem(picture), []
        for number, block in enumerate(self.blocks):
            maps = block(maps)
            if number >= len(self.blocks) - self.stages:
                told += [maps.mean((2, 3)), maps.amax((2, 3))]
        return torch.cat(told, 1)


def _star_rays(channels: int, width: int) -> RayEncoder:
    """Of star cut-outs, the pixel in their middle on every ray."""
    return RayEncoder(channels, CUT_PX, width, innermost_px=0.7, radii=20, rays=64, folds=16)


def _seen(stamps: Tensor, pictures: PictureEncoder, rays: RayEncoder | None) -> Tensor:
    """(N, 1, side, side) -> (N, n): what the pictures say and, where there are some, the rays."""
    told = pictures(stamps)
    return told if rays is None else torch.cat((told, rays(stamps)), 1)


class StarEncoder(nn.Module):
    """Cut-outs with their places -> one vector: each star encoded, then attention over them."""

    def __init__(self, width: int, features: int, rays: bool = False):
        super().__init__()
        widths = (width // 2, width, 2 * width, 3 * width)
        self.pictures = PictureEncoder(1, widths)
        self.rays = _star_rays(1, width // 2) if rays else None
        self.place = nn.Linear(5, features)
        told = self.pictures.out_features + (self.rays.out_features if self.rays else 0)
        self.project = nn.Linear(told, features)
        self.layer = nn.TransformerEncoderLayer(
            features, 4, 2 * features, dropout=0.0, batch_first=True, norm_first=True
        )
        self.out_features = 2 * features

    def forward(self, sheet: Tensor, facts: Tensor) -> Tensor:
        batch, stars, side, _ = sheet.shape
        each = _seen(sheet.reshape(batch * stars, 1, side, side), self.pictures, self.rays)
        tokens = self.project(each).reshape(batch, stars, -1) + self.place(facts)
        absent = facts[..., 4] < 0.5
        # A frame without a single star keeps one empty token: attention needs something.
        absent = absent & (torch.arange(stars, device=absent.device) > 0)
        tokens = self.layer(tokens, src_key_padding_mask=absent)
        here = (~absent).to(tokens.dtype)[..., None]
        mean = (tokens * here).sum(1) / here.sum(1)
        top = (tokens - 1e4 * (1 - here)).amax(1)
        return torch.cat((mean, top), 1)


class SetEncoder(nn.Module):
    """(B, n, side, side) pictures of equal standing -> mean and maximum of their vectors."""

    def __init__(
        self, widths: tuple[int, ...], stem_stride: int = 1, rays: RayEncoder | None = None
    ):
        super().__init__()
        self.pictures = PictureEncoder(1, widths, stem_stride)
        self.rays = rays
        self.out_features = 2 * (self.pictures.out_features + (rays.out_features if rays else 0))

    def forward(self, pictures: Tensor) -> Tensor:
        batch, count, side, _ = pictures.shape
        each = _seen(pictures.reshape(batch * count, 1, side, side), self.pictures, self.rays)
        each = each.reshape(batch, count, -1)
        return torch.cat((each.mean(1), each.amax(1)), 1)


def _number_encoder(count: int, features: int) -> nn.Sequential:
    """(B, count) numbers of unlike sizes -> (B, features)."""
    return nn.Sequential(
        nn.BatchNorm1d(count, affine=False),
        nn.Linear(count, features),
        nn.ReLU(inplace=True),
        nn.Linear(features, features),
        nn.ReLU(inplace=True),
    )


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
            self.stack: nn.Module = _star_rays(4, w)
            rays = RayEncoder(1, BRIGHT_PX, w, innermost_px=3.0, radii=32, rays=120, folds=24)
        else:
            self.stack = PictureEncoder(4, (w, 2 * w, 4 * w, 4 * w))
        self.bright = SetEncoder((w // 2, w, 2 * w, 3 * w, 4 * w), stem_stride=2, rays=rays)
        self.tiles = SetEncoder((w // 2, w, 2 * w, 2 * w))
        self.facts = _number_encoder(FACT_COUNT, 4 * w)
        # A tensor made once: a list of numbers would be copied to the device at every call.
        shown = torch.ones(FACT_COUNT)
        shown[list(_HIDDEN_FACTS)] = 0.0
        self.register_buffer("shown_facts", shown, persistent=False)
        parts = (self.sky, self.stars, self.stack, self.bright, self.tiles)
        self.branch_features = (*(int(part.out_features) for part in parts), 4 * w)
        self.branches: tuple[str, ...] = BRANCHES
        total = sum(self.branch_features)
        self.fuse = nn.Sequential(
            nn.LayerNorm(total),
            nn.Dropout(self.config.dropout),
            nn.Linear(total, 2 * self.config.features),
            nn.ReLU(inplace=True),
            nn.Linear(2 * self.config.features, self.config.features),
        )
        joint = self.config.features + 2 * len(FIRST)
        self.head = nn.Sequential(
            nn.ReLU(),
            nn.Linear(joint, self.config.features),
            nn.ReLU(inplace=True),
            nn.Linear(self.config.features, len(KEYS)),
        )
        self.strange = nn.Sequential(
            nn.ReLU(),
            nn.Linear(self.config.features, self.config.features // 4),
            nn.ReLU(inplace=True),
            nn.Linear(self.config.features // 4, 1),
        )
        if self.config.company:
            listen = nn.Linear(2 * self.config.features, self.config.features, bias=False)
            # A network that is trained on begins with what it said without its company.
            nn.init.zeros_(listen.weight)
            self.company = nn.Sequential(
                nn.BatchNorm1d(2 * self.config.features, affine=False),
                nn.Dropout(self.config.company_dropout),
                listen,
            )
        if self.config.scales:
            last = nn.Linear(4 * w, self.config.features, bias=False)
            nn.init.zeros_(last.weight)
            self.scales = nn.Sequential(
                nn.Linear(len(SCALES) * len(CONTEXT), 4 * w), nn.ReLU(inplace=True), last
            )
            self.register_buffer("sizes", torch.tensor(SCALES), persistent=False)
        if self.config.lines:
            self.branches = (*BRANCHES, LINES)
            self.branch_features = (*self.branch_features, 4 * w)
            self.lines = _number_encoder(LOOKS[self.config.lines].count, 4 * w)
            # As with company: a network that is trained on begins with what it said before.
            self.lines_heard = nn.Linear(4 * w, 2 * self.config.features, bias=False)
            nn.init.zeros_(self.lines_heard.weight)

    def encode(self, views: Views, without: Sequence[str] = ()) -> Tensor:
        """Views of B frames -> features (B, config.features).

        without: names of `branches` that are to tell nothing, to see what the others know.
        """
        return self.join(self.told(views), without)

    def told(self, views: Views) -> list[Tensor]:
        """What each of `branches` says of B frames: vectors (B, n), of different lengths."""
        numbers = views.facts * self.shown_facts
        along = [self.lines(views.lines).clamp(-20, 20)] if self.config.lines else []
        return [
            self.sky(views.sky),
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
        joined = self.fuse[:3](torch.cat(kept[: len(BRANCHES)], 1))
        if self.config.lines:
            joined = joined + self.lines_heard(kept[-1])
        return self.fuse[3:](joined)

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
        numbers = context[:, : len(CONTEXT)]
        first = numbers[:, : len(FIRST)]
        known = (~first.isnan()).to(features.dtype)
        first = first.nan_to_num(0.0).clamp(-5, 5).to(features.dtype)
        hidden = self.head[:2](torch.cat((features, first, known), 1))
        if self.config.scales:
            # In 32 bits: what the smallest scale shows is lost on fewer.
            scaled = torch.tanh(numbers.float()[..., None] / self.sizes).flatten(1)
            told = self.scales(scaled.nan_to_num(0.0).to(features.dtype))
            hidden = hidden + told * ~numbers.isnan().any(1, keepdim=True)
        if self.config.company and context.shape[1] > len(CONTEXT):
            company = context[:, len(CONTEXT) :].to(features.dtype)
            beside = torch.cat((company, features - company), 1)
            known = ~company.isnan().any(1, keepdim=True)
            told = self.company(torch.where(known, beside, torch.zeros_like(beside)))
            hidden = hidden + told * known
        return self.head[2:](hidden)

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
