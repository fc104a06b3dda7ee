"""Two searches whose answers are a few numbers: blobs of the sky, and spikes of bright stars.

Encoders learn both slowly from pictures alone. Blobs are what stands out of the coarse sky at
several sizes, dark (dust) or bright (reflections). Spikes are the light of the brightest stars by
direction, laid so that the strongest direction comes first: a regular pattern of vanes repeats
at its own angles, a stray bar does not. Torch, batched, CPU and GPU.
"""

import torch
import torch.nn.functional as F
from torch import Tensor

from classifier.kept_table import kept
from classifier.sweeps import middle

BLOB_SIZES = (2, 4, 8, 16)  # in pixels of a 128 px picture
BLOB_FACTS = 2 * len(BLOB_SIZES)
DIRECTIONS = 36
SPIKE_FACTS = DIRECTIONS // 2 + 1 + 1 + 2
RING_SIDE = 64  # px of the picture in which round edges are looked for
RING_RADII = (3, 4, 5.5, 7.5, 10, 14)
RING_FACTS = len(RING_RADII)
SECTORS = 8


def blob_facts(calm: Tensor) -> Tensor:
    """(B, h, w) star-suppressed sky -> (B, BLOB_FACTS) logarithms of S/N, dark then bright."""
    size = (min(128, calm.shape[1]), min(128, calm.shape[2]))
    picture = F.adaptive_avg_pool2d(calm[:, None], size)
    numbers = []
    for width in BLOB_SIZES:
        if min(size) < 4 * width:
            numbers += [torch.zeros(len(calm), device=calm.device)] * 2
            continue
        inner = _pooled(picture, width, max(1, width // 2))
        margin = [width] * 4
        ring = _pooled(F.pad(picture, margin, mode="reflect"), 3 * width, max(1, width // 2))
        ring = ring[..., : inner.shape[2], : inner.shape[3]]
        contrast = (inner - ring).flatten(1)
        rest = (contrast - middle(contrast)[:, None]).abs()
        spread = 1.4826 * middle(rest).clamp_min(1e-9)
        numbers.append(torch.log1p((-contrast.amin(1) / spread).clamp_min(0)))
        numbers.append(torch.log1p((contrast.amax(1) / spread).clamp_min(0)))
    return torch.stack(numbers, 1)


def _pooled(picture: Tensor, size: int, step: int) -> Tensor:
    """Means of size x size, every `step` both ways: first of rows, then of columns, which asks for
    far fewer sums."""
    return F.avg_pool2d(F.avg_pool2d(picture, (size, 1), (step, 1)), (1, size), (1, step))


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
    # Spikes are as bright as their star: the brightest star says most about them.
    core = stamps[..., side // 2 - 3 : side // 2 + 4, side // 2 - 3 : side // 2 + 4]
    weight = core.mean((2, 3)).clamp_min(1e-3)
    weight = weight / weight.sum(1, keepdim=True)
    ray = (light.median(3).values * weight[..., None]).sum(1)
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
    odd = torch.log1p(_odd(rest / noise).clamp_min(0))
    return torch.cat((folded, level[:, None], odd), 1)


def _odd(rays: Tensor) -> Tensor:
    """(B, DIRECTIONS) spikes by direction -> (B, 2): the strongest that no four-vane and the
    strongest that no three-vane spider can have made.

    A spider makes spikes of one strength at even angles: in any direction it explains no more
    than the weakest spike of the comb through it. Directions are wider than a spike is aimed.
    """
    wide = torch.stack([rays.roll(step, 1) for step in (-1, 0, 1)]).amax(0)
    left = []
    for spikes in (2, 3):
        comb = torch.stack([wide.roll(k * DIRECTIONS // spikes, 1) for k in range(spikes)])
        # Twice the weakest: vanes are never quite alike.
        explained = 2 * comb.amin(0).clamp_min(0)
        explained = torch.stack([explained.roll(step, 1) for step in (-1, 0, 1)]).amax(0)
        left.append((rays - explained).amax(1))
    return torch.stack(left, 1)


def ring_facts(opened: Tensor) -> Tensor:
    """(B, h, w) sky without its stars -> (B, RING_FACTS): the clearest round edge of each size.

    A ghost ends at a sharp round edge, all the way round, and is no brighter inside than at the
    edge; a nebula has no edge, a star or galaxy falls off from its middle. Logarithm of the
    edge's step for the third-weakest of eight sectors.
    """
    side = RING_SIDE
    picture = F.adaptive_avg_pool2d(opened[:, None], (side, side))[:, 0]
    picture = picture - middle(picture.flatten(1))[:, None, None]
    size = side + 2 * int(max(RING_RADII)) + 4
    spectrum = torch.fft.rfft2(picture, s=(size, size))
    numbers = []
    for kernels in _ring_kernels(size, opened.device):
        turned = torch.fft.irfft2(spectrum[:, None] * kernels, s=(size, size))[..., :side, :side]
        # Falling from the middle to the edge is what stars do.
        step = _third(turned[:, :SECTORS]) - turned[:, SECTORS].clamp_min(0)
        numbers.append(torch.log1p(30 * step.flatten(1).amax(1).clamp_min(0)))
    return torch.stack(numbers, 1)


def _third(pictures: Tensor) -> Tensor:
    """(B, n, h, w) -> (B, h, w) the third lowest of n, kept up to date picture by picture: a fifth
    of the time of a selection for each place."""
    one = two = three = torch.full_like(pictures[:, 0], torch.inf)
    for picture in pictures.unbind(1):
        three = torch.minimum(three, torch.maximum(two, picture))
        two = torch.minimum(two, torch.maximum(one, picture))
        one = torch.minimum(one, picture)
    return three


@kept(4)
def _ring_kernels(size: int, device: torch.device) -> Tensor:
    """(radii, SECTORS + 1, size, size // 2 + 1) transforms of the edge's step in each sector and
    of the fall from the middle to the edge."""
    axis = torch.fft.fftfreq(size, 1 / size)
    y, x = torch.meshgrid(axis, axis, indexing="ij")
    radius, angle = torch.hypot(x, y), torch.atan2(y, x)
    every = []
    for ring in RING_RADII:
        width = max(1.5, 0.25 * ring)
        inside = (radius > ring - 0.3 - width) & (radius <= ring - 0.3)
        outside = (radius > ring + 0.7) & (radius <= ring + 0.7 + width)
        core = radius <= ring - 0.3 - width
        kernels = []
        for sector in range(SECTORS):
            away = (angle - 2 * torch.pi * sector / SECTORS + torch.pi) % (2 * torch.pi) - torch.pi
            here = away.abs() <= torch.pi / SECTORS + 1e-3
            kernels.append(_mean_over(inside & here) - _mean_over(outside & here))
        kernels.append(_mean_over(core) - _mean_over(inside))
        # Correlation, not convolution: the conjugate.
        every.append(torch.fft.rfft2(torch.stack(kernels)).conj())
    return torch.stack(every).to(device)


def _mean_over(mask: Tensor) -> Tensor:
    return mask.float() / mask.sum().clamp_min(1)
