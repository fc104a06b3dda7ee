"""Two searches whose answers are a few numbers: blobs of the sky, and spikes of bright stars.

Encoders learn both slowly from pictures alone. Blobs are what stands out of the coarse sky at
several sizes, dark (dust) or bright (reflections). Spikes are the light of the brightest stars by
direction, laid so that the strongest direction comes first: a regular pattern of vanes repeats
at its own angles, a stray bar does not. Torch, batched, CPU and GPU.
"""

import torch
import torch.nn.functional as F
from torch import Tensor

BLOB_SIZES = (2, 4, 8, 16)  # in pixels of a 128 px picture
BLOB_FACTS = 2 * len(BLOB_SIZES)
DIRECTIONS = 36
SPIKE_FACTS = DIRECTIONS // 2 + 1 + 1


def blob_facts(calm: Tensor) -> Tensor:
    """(B, h, w) star-suppressed sky -> (B, BLOB_FACTS) logarithms of S/N, dark then bright."""
    size = (min(128, calm.shape[1]), min(128, calm.shape[2]))
    picture = F.adaptive_avg_pool2d(calm[:, None], size)
    numbers = []
    for width in BLOB_SIZES:
        if min(size) < 4 * width:
            numbers += [torch.zeros(len(calm), device=calm.device)] * 2
            continue
        inner = F.avg_pool2d(picture, width, max(1, width // 2))
        margin = [width] * 4
        ring = F.avg_pool2d(F.pad(picture, margin, mode="reflect"), 3 * width, max(1, width // 2))[
            ..., : inner.shape[2], : inner.shape[3]
        ]
        contrast = (inner - ring).flatten(1)
        middle = contrast.median(1, keepdim=True).values
        spread = 1.4826 * (contrast - middle).abs().median(1).values.clamp_min(1e-9)
        ordered = contrast.sort(1).values
        numbers.append(torch.log1p((-ordered[:, 0] / spread).clamp_min(0)))
        numbers.append(torch.log1p((ordered[:, -1] / spread).clamp_min(0)))
    return torch.stack(numbers, 1)


def spike_facts(stamps: Tensor, width_px: Tensor) -> Tensor:
    """Bright stars -> (B, SPIKE_FACTS): light by direction as logarithms of S/N.

    stamps: (B, n, side, side) in units of pixel noise, star in the middle. width_px: (B,) FWHM in
    pixels of the stamps; the search goes from 4 FWHM (at least 8 px) to the stamp's edge.
    """
    side = stamps.shape[-1]
    inner = (4 * width_px).clamp(8, 0.5 * side / 2)
    part = torch.linspace(0, 1, 28, device=stamps.device)
    radius = inner[:, None] + part * (0.95 * side / 2 - inner[:, None])
    angle = torch.arange(2 * DIRECTIONS, device=stamps.device) * (torch.pi / DIRECTIONS)
    x = radius[:, None, :] * torch.cos(angle)[None, :, None]
    y = radius[:, None, :] * torch.sin(angle)[None, :, None]
    grid = torch.stack((x, y), 3) * (2 / side) + 1 / side
    light = F.grid_sample(stamps, grid, align_corners=False)
    # A field star on a ray is a few bright points, a spike many: the median tells them apart.
    ray = light.median(3).values.mean(1)
    both = 0.5 * (ray[:, :DIRECTIONS] + ray[:, DIRECTIONS:])
    rest = both - both.median(1, keepdim=True).values
    noise = 1.4826 * rest.abs().median(1, keepdim=True).values.clamp_min(0.02)
    strong = rest.argmax(1, keepdim=True)
    order = (strong + torch.arange(DIRECTIONS, device=stamps.device)) % DIRECTIONS
    turned = torch.log1p((rest.gather(1, order) / noise).clamp_min(0))
    # Mirrored frames must give the same numbers: clockwise and anticlockwise fold together.
    other = turned.flip(1).roll(1, 1)
    folded = torch.maximum(turned, other)[:, : DIRECTIONS // 2 + 1]
    level = torch.log1p(rest.amax(1).clamp_min(0))
    return torch.cat((folded, level[:, None]), 1)
