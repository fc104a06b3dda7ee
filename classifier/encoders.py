"""The encoders that the network is made of: pictures, stars, sets and numbers to vectors.

Convolution blocks are torchvision's.
"""

import itertools

import torch
from torch import Tensor, nn
from torchvision.models.resnet import BasicBlock

from classifier.ray_encoder import RayEncoder
from classifier.sheet import CUT_PX


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
        self.widths, self.stages = widths, stages
        self.out_features = 2 * sum(widths[-stages:])

    def forward(self, picture: Tensor) -> Tensor:
        return self.pooled(self.maps(picture))

    def maps(self, picture: Tensor) -> list[Tensor]:
        """The maps at each size, the finest first."""
        maps = [self.stem(picture)]
        for block in self.blocks:
            maps.append(block(maps[-1]))
        return maps[1:]

    def pooled(self, maps: list[Tensor]) -> Tensor:
        """Maps of each size -> (N, out_features)."""
        told = [(each.mean((2, 3)), each.amax((2, 3))) for each in maps[-self.stages :]]
        return torch.cat(list(itertools.chain(*told)), 1)


def star_rays(channels: int, width: int) -> RayEncoder:
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
        self.rays = star_rays(1, width // 2) if rays else None
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


class Steps(nn.Module):
    """(N, count) numbers -> (N, count * (STEPS + 1)): the numbers, and how far each has come on its
    way from one of its knots to the next. A bend that a number takes to be understood is a weight
    then, not a neuron that has to find it. Knots lie where the numbers are: see `lay`."""

    knots: Tensor

    def __init__(self, count: int):
        super().__init__()
        self.register_buffer("knots", torch.linspace(-4.0, 4.0, STEPS + 1).repeat(count, 1))

    def forward(self, numbers: Tensor) -> Tensor:
        low, high = self.knots[:, :-1], self.knots[:, 1:]
        width = (high - low).clamp_min(_NARROWEST)
        come = ((numbers[..., None] - low) / width).clamp(0, 1)
        return torch.cat((numbers, come.flatten(1)), 1)

    @torch.no_grad()
    def lay(self, numbers: Tensor) -> None:
        """Knots at quantiles of numbers (N, count), as 16-bit floats tell them."""
        share = torch.linspace(0, 1, STEPS + 1, device=numbers.device)
        share[0], share[-1] = _OUTERMOST, 1 - _OUTERMOST
        self.knots.copy_(torch.quantile(numbers.float(), share, dim=0).T.half())


STEPS = 8
# The share of all numbers that lies beyond the first knot, and beyond the last.
_OUTERMOST = 0.003
_NARROWEST = 1e-3
_LEFT_OUT = 0.3


def number_encoder(count: int, features: int) -> nn.Sequential:
    """(B, count) numbers of unlike sizes -> (B, features)."""
    return nn.Sequential(
        nn.BatchNorm1d(count, affine=False),
        nn.Linear(count, features),
        nn.ReLU(inplace=True),
        nn.Linear(features, features),
        nn.ReLU(inplace=True),
    )


def wide_number_encoder(
    count: int, features: int, hidden: int, in_steps: bool = False
) -> nn.Sequential:
    """The same by way of more numbers, some of them left out in training."""
    length = count * (STEPS + 1) if in_steps else count
    return nn.Sequential(
        *([Steps(count)] if in_steps else []),
        *hidden_layer(length, hidden),
        nn.Linear(hidden, features),
        nn.ReLU(inplace=True),
    )


def hidden_layer(count: int, hidden: int) -> nn.Sequential:
    """(B, count) numbers of unlike sizes -> (B, hidden), some of these left out in training."""
    return nn.Sequential(
        nn.BatchNorm1d(count, affine=False),
        nn.Linear(count, hidden, bias=False),
        nn.BatchNorm1d(hidden),
        nn.ReLU(inplace=True),
        nn.Dropout(_LEFT_OUT),
    )
