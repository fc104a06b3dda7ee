"""What the light round a star says by its direction, whichever way the frame is turned.

A bar across the aperture and the vanes of a spider differ in how their spikes stand to one another,
a drift and a coma in whether the light lies on both sides, at any angle: a network of pictures has
to learn each angle anew. Here a stamp is read along rays, logarithmic in radius, so that a spike is
a column and a turned frame a shifted one, and of each channel the strength of its 1, 2, ... fold
patterns round the star is told, which no turn changes: four vanes show in the 4th, 8th, ..., a
single bar in every second.
"""

import math

import torch
import torch.nn.functional as F
from torch import Tensor, nn


def ray_grid(side: int, innermost_px: float, radii: int, rays: int) -> Tensor:
    """(radii, rays, 2) places in stamps of `side` px as grid_sample takes them, round the pixel
    side / 2, out to the edge."""
    outermost_px = 0.97 * side / 2
    angle = torch.arange(rays) * (2 * math.pi / rays)
    radius = innermost_px * (outermost_px / innermost_px) ** torch.linspace(0, 1, radii)
    x, y = radius[:, None] * angle.cos(), radius[:, None] * angle.sin()
    return torch.stack((x, y), 2) * (2 / side) + 1 / side


def fold_waves(rays: int, folds: int) -> Tensor:
    """(rays, 2 * folds) cosines, then sines, of 1 to `folds` waves round the star, over `rays`."""
    turn = torch.arange(rays)[:, None] * (2 * math.pi / rays) * torch.arange(1, folds + 1)
    return torch.cat((turn.cos(), turn.sin()), 1) / rays


class RayEncoder(nn.Module):
    """(N, channels, side, side) stamps, star at pixel side / 2 -> (N, out_features), float.

    rays, radii: how many directions and radii a stamp is read in, the smallest of `innermost_px`;
    folds: up to how many times round the star a pattern is told.
    """

    grid: Tensor
    waves: Tensor

    def __init__(
        self,
        channels: int,
        side: int,
        width: int,
        innermost_px: float,
        radii: int,
        rays: int,
        folds: int,
    ):
        super().__init__()
        widths = (2 * channels, max(width // 2, 2 * channels), width, width)
        self.layers = nn.ModuleList(
            nn.Sequential(
                nn.Conv2d(before, after, (tall, 5), (2, 1), (tall // 2, 0), bias=False),
                nn.BatchNorm2d(after),
                nn.ReLU(inplace=True),
            )
            for before, after, tall in zip(widths[:-1], widths[1:], (5, 3, 3), strict=True)
        )
        told = 2 * width
        self.folds = nn.Sequential(
            nn.LayerNorm(told * folds), nn.Linear(told * folds, 4 * width), nn.ReLU(inplace=True)
        )
        grid = ray_grid(side, innermost_px, radii, rays)
        self.register_buffer("grid", grid, persistent=False)
        self.register_buffer("waves", fold_waves(rays, folds), persistent=False)
        self.out_features = 2 * told + 4 * width

    def forward(self, stamps: Tensor) -> Tensor:
        places = self.grid.to(stamps.dtype).expand(len(stamps), -1, -1, -1)
        # Autocast to bfloat16 knows no stamps that are kept in float16.
        with torch.autocast(stamps.device.type, enabled=False):
            rays = F.grid_sample(stamps, places, align_corners=False)
        # Beside the light itself, what stands out of the ring at its radius.
        maps = torch.cat((rays - rays.median(3, keepdim=True).values, rays), 1)
        for layer in self.layers:
            maps = layer(F.pad(maps, (2, 2, 0, 0), mode="circular"))
        round_star = torch.cat((maps.mean(2), maps.amax(2)), 1)
        waves = (round_star @ self.waves.to(round_star.dtype)).float().unflatten(2, (2, -1))
        strength = torch.log1p(1e3 * waves.square().sum(2)).flatten(1)
        return torch.cat((round_star.mean(2), round_star.amax(2), self.folds(strength)), 1)
