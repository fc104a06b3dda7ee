"""The frame's sky as the network's views need it: level, noise, coarse map, calm picture.

Torch, batched, CPU and GPU. `background.py` is the independent measure of the same sky for the
second opinion; this module knows nothing of it on purpose.
"""

import math
from dataclasses import dataclass
from functools import cached_property

import torch
import torch.nn.functional as F
from torch import Tensor

from classifier.frame_overview import Overview
from classifier.kept_table import kept
from classifier.sweeps import (
    bands,
    halved,
    middle,
    ranked,
    room,
    sample,
    spots_over,
    true_places,
)

MESH = 16  # the coarse sky map has MESH x MESH medians
# Longer side, at most, of the pooled pictures: of 532 the line search takes the inner 512.
POOLED_PX = 532
# A sub of unknown offset at this level, in sigmas of a pixel, had its sky taken off (offsets keep
# raw ones far above it); and what the sky of a usual one is, where it makes the noise itself: the
# root of 400 electrons (common practice: subs long enough for their sky to drown the read noise).
TAKEN_OFF, USUAL_SKY = 0.05, 20.0
PLANE_SAMPLE = 30_000  # pixels of each place of the mosaic that are looked at

SURFACE_FACTS: tuple[str, ...] = (
    "log_sky_over_noise",
    "corner_falloff",
    "tilt",
    "bend",
    "texture",
    "log_texture_over_noise",
    "darkest",
    "brightest",
    "log_hot_fraction",
    "plane_min",
    "plane_max",
    "log_plane_noise_ratio",
    "log_neighbour_noise_ratio",
)


@dataclass(frozen=True)
class Surface:
    """Sky of a batch of B frames of (H, W) px; h = H // 2, w = W // 2.

    excess: (B, h, w) means of 2 x 2 px, which hides a colour mosaic, less the coarse sky; ADU.
    quarter: (B, h // 2, w // 2) means of 2 x 2 of that.
    mean, calm, peak: (B, h // step, w // step) of step x step of these, with the sky: the mean,
    the mean after everything above sky + 3 sigma was cut down to that, the maximum; ADU.
    half_noise: (B,) sigma of a pixel of `excess`.
    level_adu, noise_adu, sky_adu: (B,) median, native pixel sigma, level above the offset
    (the level itself where the offset is unknown).
    facts: (B, len(SURFACE_FACTS)).
    """

    excess: Tensor
    quarter: Tensor
    mean: Tensor
    calm: Tensor
    peak: Tensor
    step: int
    half_noise: Tensor
    level_adu: Tensor
    noise_adu: Tensor
    sky_adu: Tensor
    facts: Tensor

    @cached_property
    def pyramid(self) -> list[Tensor]:
        """`excess` and its means of 2 x 2, 4 x 4, 8 x 8 and 16 x 16."""
        pictures = [self.excess, self.quarter]
        for _ in range(3):
            pictures.append(halved(pictures[-1]))
        return pictures


def read_surface(
    pixels: Tensor, is_cfa: Tensor, offset_adu: Tensor, overview: Overview | None = None
) -> Surface:
    """(B, H, W) ADU, (B,) bool, (B,) ADU or NaN -> Surface. overview: of the only frame, if at
    hand."""
    half = None if overview is None else torch.from_numpy(overview.half)[None]
    mesh, half_noise = _mesh_medians(pixels, half)
    excess, quarter, mean, calm, peak, step = _flattened(pixels, half, _quiet(mesh), half_noise)
    noise_1, noise_2 = _difference_noise(pixels, 1), _difference_noise(pixels, 2)
    noise = torch.where(is_cfa, noise_2, torch.maximum(noise_1, noise_2))
    level = mesh.flatten(1).median(1).values
    sky = _sky(level, noise, offset_adu)
    facts = torch.cat(
        (
            (sky / noise).log()[:, None],
            _mesh_facts(mesh, sky, half_noise, excess.shape),
            _pixel_facts(pixels, noise, sky),
            (noise_1 / noise_2).log()[:, None],
        ),
        1,
    )
    return Surface(excess, quarter, mean, calm, peak, step, half_noise, level, noise, sky, facts)


def _sky(level: Tensor, noise: Tensor, offset_adu: Tensor) -> Tensor:
    """Level above the offset, at least the noise; that of a usual sub where the sky was taken off:
    as shares of what is left, slopes and shadows would be tens of times as deep as they are."""
    sky = torch.where(offset_adu.isnan(), level, level - offset_adu)
    taken_off = offset_adu.isnan() & (level < TAKEN_OFF * noise)
    return torch.where(taken_off, USUAL_SKY * noise, torch.maximum(sky, noise))


def _mesh_medians(pixels: Tensor, half: Tensor | None) -> tuple[Tensor, Tensor]:
    """(B, H, W) -> (B, MESH, MESH) medians of at most some 24 x 24 half-size pixels of each cell,
    and (B,) noise of a half-size pixel."""
    height, width = pixels.shape[1:]
    cell_h, cell_w = height // 2 // MESH, width // 2 // MESH
    apart, across = max(1, cell_h // 24), max(1, cell_w // 24)
    if half is None:  # only the rows that are looked at are binned
        first = torch.arange(MESH, device=pixels.device)[:, None] * cell_h
        rows = first + torch.arange(0, cell_h, apart, device=pixels.device)
        pairs = 2 * rows.flatten()[:, None] + torch.arange(2, device=pixels.device)
        lines = halved(pixels[:, pairs.flatten()]).unflatten(1, (MESH, -1))
    else:
        lines = half[:, : MESH * cell_h].unflatten(1, (MESH, cell_h))[:, :, ::apart]
    cells = lines[..., : MESH * cell_w].unflatten(3, (MESH, cell_w))[..., ::across]
    medians = middle(cells.permute(0, 1, 3, 2, 4).flatten(3))
    return medians, _difference_noise(lines.flatten(1, 2), 1)


def _flattened(
    pixels: Tensor, half: Tensor | None, mesh: Tensor, half_noise: Tensor
) -> tuple[Tensor, Tensor, Tensor, Tensor, Tensor, int]:
    """`excess`, `quarter`, `mean`, `calm`, `peak` and `step` of a Surface, in one pass over the
    pixels."""
    batch, height, width = len(pixels), pixels.shape[1] // 2, pixels.shape[2] // 2
    step = max(1, math.ceil(max(height, width) / POOLED_PX))
    high, wide = height // step, width // step
    down, across = mesh_weights(height, pixels.device), mesh_weights(width, pixels.device).T
    limit = 3 * half_noise[:, None, None]
    grid = mesh @ across
    excess = room(pixels, batch, height, width)
    quarter = room(pixels, batch, height // 2, width // 2)
    pictures: list[list[Tensor]] = [[], [], []]
    for top, end in bands(height, pixels.device, 2 * step):
        part = excess[:, top:end]
        own = pixels[:, 2 * top : 2 * end]
        light = halved(own, part) if half is None else half[:, top:end]
        near = _near(top, end, height // MESH)
        weights = down[top:end, near].expand(batch, -1, -1)
        torch.baddbmm(light, weights, grid[:, near], alpha=-1, out=part)
        smaller = halved(part, quarter[:, top // 2 : end // 2])
        rows = (end - top) // step
        if rows == 0:
            continue
        shape = batch, rows, step, wide * step
        cells = part[:, : rows * step, : wide * step].reshape(shape)
        calm = torch.minimum(cells, limit[..., None])
        # Means of means, where the quarter-size picture holds them, are those of fewer pixels.
        means, side = (smaller, step // 2) if step % 2 == 0 else (part, step)
        means = means[:, : rows * side, : wide * side].reshape(batch, rows, side, wide * side)
        # Rows are brought together first, which a CPU does many columns at a time.
        pictures[0].append(means.mean(2).reshape(batch, rows, wide, side).mean(3))
        pools = batch, rows, wide, step
        pictures[1].append(calm.mean(2).reshape(pools).mean(3))
        pictures[2].append(cells.amax(2).reshape(pools).amax(3))
    # The mean of the coarse sky under a cell: it is a sum of products of x and y.
    down = down[: high * step].reshape(high, step, MESH).mean(1)
    across = across[:, : wide * step].reshape(MESH, wide, step).mean(2)
    level = down @ mesh @ across
    mean, calm, peak = (torch.cat(parts, 1) + level for parts in pictures)
    return excess, quarter, mean, calm, peak, step


def _near(top: int, end: int, cell: int) -> slice:
    """Rows of the mesh that have any weight in the rows of a band."""
    first = min(max(0, math.floor((top + 0.5) / cell - 0.5)), MESH - 1)
    last = min(max(0, math.floor((end - 0.5) / cell - 0.5) + 1), MESH - 1)
    return slice(first, last + 1)


def mesh_weights(size: int, device: torch.device) -> Tensor:
    """(size, MESH) weights that spread the mesh over `size` pixels, linearly between the middles
    of its cells, the last value kept beyond them."""
    place = (torch.arange(size, device=device) + 0.5) / (size // MESH) - 0.5
    place = place.clamp(0, MESH - 1)[:, None]
    return (1 - (place - torch.arange(MESH, device=device)).abs()).clamp_min(0)


def _quiet(mesh: Tensor) -> Tensor:
    """3 x 3 median of the mesh: one cell full of a bright star does not lift the sky."""
    padded = F.pad(mesh[:, None], (1, 1, 1, 1), mode="replicate")[:, 0]
    shifts = [(i, j) for i in range(3) for j in range(3)]
    windows = [padded[:, i : i + MESH, j : j + MESH] for i, j in shifts]
    return torch.stack(windows, 1).median(1).values


def _difference_noise(pixels: Tensor, lag: int) -> Tensor:
    """(B, H, W) -> (B,) sigma from differences of pixels `lag` apart in a row."""
    # Whole rows, spread over the frame, of some 400,000 pixels; of their steps a quarter.
    _, height, width = pixels.shape
    rows = pixels[:, :: max(1, min(height // 32, height * width // 400_000))]
    steps = sample(rows[:, :, lag:] - rows[:, :, :-lag], 100_000).abs()
    # Integer data of very low noise can have a median step of 0: the mean of the lower three
    # quarters is then still alive. For a half-normal it is 0.5149 sigma, and a difference of
    # two pixels has sqrt 2 sigma.
    kept = max(1, (3 * steps.shape[1]) // 4)
    top = ranked(steps, kept)[:, None]
    lower = steps < top
    sums = torch.where(lower, steps, 0.0).sum(1) + (kept - lower.sum(1)) * top[:, 0]
    return (sums / kept / (2**0.5 * 0.5149)).clamp_min(1e-3)


@kept(4)
def _basis(device: torch.device) -> tuple[Tensor, Tensor]:
    """(MESH * MESH, 6) polynomial terms 1, x, y, x2 + y2, x2 - y2, xy on [-1, 1], and the transpose
    of their pseudo-inverse."""
    axis = (torch.arange(MESH, device=device) + 0.5) / MESH * 2 - 1
    y, x = torch.meshgrid(axis, axis, indexing="ij")
    terms = (torch.ones_like(x), x, y, x * x + y * y, x * x - y * y, x * y)
    basis = torch.stack(terms, 2).reshape(MESH * MESH, 6)
    return basis, torch.linalg.pinv(basis).T


def _mesh_facts(mesh: Tensor, sky: Tensor, half_noise: Tensor, shape: torch.Size) -> Tensor:
    """Slow structure of the sky, as shares of the sky: (B, 7)."""
    basis, inverse = _basis(mesh.device)
    values = mesh.flatten(1)
    # One pass of clipping keeps a nebula or a dust shadow out of the fit.
    first = values @ inverse
    rest = values - first @ basis.T
    spread = 1.4826 * rest.abs().median(1, keepdim=True).values.clamp_min(1e-6)
    clipped = first @ basis.T + torch.minimum(torch.maximum(rest, -3 * spread), 3 * spread)
    fit = clipped @ inverse
    rest = (values - fit @ basis.T) / sky[:, None]
    tilt = 2 * (fit[:, 1].abs() + fit[:, 2].abs())
    bend = (fit[:, 4].square() + fit[:, 5].square()).sqrt()
    texture = 1.4826 * rest.abs().median(1).values
    cell_px = max(1.0, min(576.0, shape[1] * shape[2] / MESH**2))
    floor = 1.2533 * half_noise / sky / cell_px**0.5
    ordered = rest.sort(1).values
    return torch.stack(
        (
            -2 * fit[:, 3] / sky,
            tilt / sky,
            bend / sky,
            texture,
            (texture / floor).clamp_min(1e-3).log(),
            ordered[:, 2],
            ordered[:, -3],
        ),
        1,
    )


def _pixel_facts(pixels: Tensor, noise: Tensor, sky: Tensor) -> Tensor:
    """Hot-pixel share and how unlike the four places of the 2 x 2 mosaic are: (B, 4)."""
    height, width = pixels.shape[1:]
    # An odd last row or column would give planes of unequal size.
    even = pixels[:, : height - height % 2, : width - width % 2]
    # Every fourth pixel of a plane each way, on large frames fewer: some 30,000 tell enough.
    step = max(4, round((height * width / 4 / PLANE_SAMPLE) ** 0.5))
    planes = torch.stack(
        [even[:, i :: 2 * step, j::2][..., ::step].flatten(1) for i in (0, 1) for j in (0, 1)], 1
    )
    levels = middle(planes)
    # Above the offset the planes' ratios are physical; sky = level - offset where known.
    excess = levels - levels.mean(1, keepdim=True) + sky[:, None]
    ratio = excess / sky[:, None]
    spread = middle((planes - levels[..., None]).abs()).clamp_min(1e-3)
    hot = hot_fraction(pixels, noise)
    return torch.stack(
        (
            torch.log10(hot + 1e-5),
            ratio.amin(1).clamp(-3, 3),
            ratio.amax(1).clamp(-3, 5),
            (spread.amax(1) / spread.amin(1)).log(),
        ),
        1,
    )


def hot_fraction(pixels: Tensor, noise: Tensor, limit_px: int = 2_000_000) -> Tensor:
    """(B, H, W), (B,) -> (B,) share of pixels that stand alone over 10 sigma.

    Alone means that the mean of the eight neighbours, next door and at the distance of the same
    colour, stays under 5 % of the pixel's own excess: no star does that, however sharp.
    Large frames are sampled in bands of rows, `limit_px` pixels in all; two pixels at the rim of
    a band are not judged.
    """
    batch, height, width = pixels.shape
    rows = height if height * width <= limit_px else max(16, limit_px // (8 * width))
    starts = [0] if rows >= height else [i * (height - rows) // 7 for i in range(8)]
    # The bands of all frames as pictures of their own.
    band = torch.stack([pixels[:, start : start + rows] for start in starts], 1).flatten(0, 1)
    some = band.flatten(1)
    level = middle(some[:, :: max(7, some.shape[1] // 20_000)])
    limit = level + 10 * noise.repeat_interleave(len(starts))
    number, place = spots_over(band[:, 2:-2], limit)
    column = place % width
    inside = true_places((column >= 2) & (column < width - 2))
    number, place = number[inside], place[inside]
    flat, at = band.reshape(-1), (number * rows + 2) * width + place
    own, sky = flat.index_select(0, at), level[number]
    alone = torch.ones_like(own, dtype=torch.bool)
    for gap in (1, 2):
        ring = [
            flat.index_select(0, at + gap * (dy * width + dx))
            for dy in (-1, 0, 1)
            for dx in (-1, 0, 1)
            if (dy, dx) != (0, 0)
        ]
        alone &= torch.stack(ring).mean(0) - sky < 0.05 * (own - sky)
    counts = torch.bincount(number[alone], minlength=len(band)).view(batch, len(starts))
    return (counts / (rows * width)).mean(1).to(noise.dtype)
