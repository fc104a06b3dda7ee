"""The frame's sky as the network's views need it: level, noise, coarse map, calm picture.

Torch, batched, CPU and GPU. `background.py` is the independent measure of the same sky for the
second opinion; this module knows nothing of it on purpose.
"""

from dataclasses import dataclass

import torch
import torch.nn.functional as F
from torch import Tensor

MESH = 16  # the coarse sky map has MESH x MESH medians

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

    half: (B, h, w) means of 2 x 2 px, which hides a colour mosaic, ADU.
    calm: the same with everything above background + 3 sigma cut off.
    half_background: (B, h, w) coarse sky, ADU. half_noise: (B,) its sigma per half pixel.
    level_adu, noise_adu, sky_adu: (B,) median, native pixel sigma, level above the offset
    (the level itself where the offset is unknown).
    facts: (B, len(SURFACE_FACTS)).
    """

    half: Tensor
    calm: Tensor
    half_background: Tensor
    half_noise: Tensor
    level_adu: Tensor
    noise_adu: Tensor
    sky_adu: Tensor
    facts: Tensor


def read_surface(pixels: Tensor, is_cfa: Tensor, offset_adu: Tensor) -> Surface:
    """(B, H, W) ADU, (B,) bool, (B,) ADU or NaN -> Surface."""
    half = F.avg_pool2d(pixels[:, None], 2)[:, 0]
    mesh = _mesh_medians(half)
    background = F.interpolate(
        _quiet(mesh)[:, None], half.shape[1:], mode="bilinear", align_corners=False
    )[:, 0]
    half_noise = _difference_noise(half[:, ::2, :], 1)
    noise_1, noise_2 = _difference_noise(pixels, 1), _difference_noise(pixels, 2)
    noise = torch.where(is_cfa, noise_2, torch.maximum(noise_1, noise_2))
    level = mesh.flatten(1).median(1).values
    sky = torch.where(offset_adu.isnan(), level, level - offset_adu)
    sky = torch.maximum(sky, noise)
    calm = torch.minimum(half, background + 3 * half_noise[:, None, None])
    facts = torch.cat(
        (
            (sky / noise).log()[:, None],
            _mesh_facts(mesh, sky, half_noise, half.shape),
            _pixel_facts(pixels, background, noise, sky, is_cfa),
            (noise_1 / noise_2).log()[:, None],
        ),
        1,
    )
    return Surface(half, calm, background, half_noise, level, noise, sky, facts)


def _mesh_medians(half: Tensor) -> Tensor:
    """(B, h, w) -> (B, MESH, MESH) medians of at most some 24 x 24 pixels of each cell."""
    batch, height, width = half.shape
    cell_h, cell_w = max(1, height // MESH), max(1, width // MESH)
    if height < MESH or width < MESH:
        half = F.interpolate(half[:, None], (MESH, MESH), mode="bilinear")[:, 0]
        return half
    cells = half[:, : cell_h * MESH, : cell_w * MESH].reshape(batch, MESH, cell_h, MESH, cell_w)
    cells = cells[:, :, :: max(1, cell_h // 24), :, :: max(1, cell_w // 24)]
    return cells.permute(0, 1, 3, 2, 4).flatten(3).median(3).values


def _quiet(mesh: Tensor) -> Tensor:
    """3 x 3 median of the mesh: one cell full of a bright star does not lift the sky."""
    padded = F.pad(mesh[:, None], (1, 1, 1, 1), mode="replicate")[:, 0]
    shifts = [(i, j) for i in range(3) for j in range(3)]
    windows = [padded[:, i : i + MESH, j : j + MESH] for i, j in shifts]
    return torch.stack(windows, 1).median(1).values


def _difference_noise(pixels: Tensor, lag: int) -> Tensor:
    """(B, H, W) -> (B,) sigma from differences of pixels `lag` apart in a row."""
    rows = pixels[:, :: max(1, pixels.shape[1] // 256)]
    steps = (rows[:, :, lag:] - rows[:, :, :-lag]).abs().flatten(1)
    steps = steps[:, :: max(1, steps.shape[1] // 200_000)]
    # Integer data of very low noise can have a median step of 0: the mean of the lower three
    # quarters is then still alive. For a half-normal it is 0.5149 sigma, and a difference of
    # two pixels has sqrt 2 sigma.
    ordered = steps.sort(1).values[:, : max(1, (3 * steps.shape[1]) // 4)]
    mean = ordered.mean(1)
    return (mean / (2**0.5 * 0.5149)).clamp_min(1e-3)


def _basis(device: torch.device) -> Tensor:
    """(MESH * MESH, 6) polynomial terms 1, x, y, x2 + y2, x2 - y2, xy on [-1, 1]."""
    axis = (torch.arange(MESH, device=device) + 0.5) / MESH * 2 - 1
    y, x = torch.meshgrid(axis, axis, indexing="ij")
    terms = (torch.ones_like(x), x, y, x * x + y * y, x * x - y * y, x * y)
    return torch.stack(terms, 2).reshape(MESH * MESH, 6)


def _mesh_facts(mesh: Tensor, sky: Tensor, half_noise: Tensor, shape: torch.Size) -> Tensor:
    """Slow structure of the sky, as shares of the sky: (B, 7)."""
    basis = _basis(mesh.device)
    values = mesh.flatten(1)
    # One pass of clipping keeps a nebula or a dust shadow out of the fit.
    first = values @ torch.linalg.pinv(basis).T
    rest = values - first @ basis.T
    spread = 1.4826 * rest.abs().median(1, keepdim=True).values.clamp_min(1e-6)
    clipped = first @ basis.T + torch.minimum(torch.maximum(rest, -3 * spread), 3 * spread)
    fit = clipped @ torch.linalg.pinv(basis).T
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


def _pixel_facts(
    pixels: Tensor, background: Tensor, noise: Tensor, sky: Tensor, is_cfa: Tensor
) -> Tensor:
    """Hot-pixel share and how unlike the four places of the 2 x 2 mosaic are: (B, 4)."""
    height, width = pixels.shape[1:]
    # An odd last row or column would give planes of unequal size.
    even = pixels[:, : height - height % 2, : width - width % 2]
    planes = (
        torch.stack(
            [even[:, i::2, j::2][:, ::4, ::4].flatten(1) for i in (0, 1) for j in (0, 1)], 1
        )
        if min(pixels.shape[1:]) >= 64
        else torch.stack([pixels.flatten(1)] * 4, 1)
    )
    levels = planes.median(2).values
    # Above the offset the planes' ratios are physical; sky = level - offset where known.
    excess = levels - levels.mean(1, keepdim=True) + sky[:, None]
    ratio = excess / sky[:, None]
    spread = (planes - levels[..., None]).abs().median(2).values.clamp_min(1e-3)
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
    Large frames are sampled in bands of rows, `limit_px` pixels in all.
    """
    _, height, width = pixels.shape
    rows = height if height * width <= limit_px else max(16, limit_px // (8 * width))
    starts = [0] if rows >= height else [i * (height - rows) // 7 for i in range(8)]
    shares = []
    for start in starts:
        band = pixels[:, start : start + rows]
        level = band.flatten(1)[:, ::7].median(1).values[:, None, None]
        excess = (band - level) / noise[:, None, None]
        near = (F.avg_pool2d(excess[:, None], 3, 1, 1)[:, 0] * 9 - excess) / 8
        alone = (near < 0.05 * excess) & (_ring_at_two(excess) < 0.05 * excess) & (excess > 10)
        shares.append(alone.float().mean((1, 2)))
    return torch.stack(shares).mean(0)


def _ring_at_two(excess: Tensor) -> Tensor:
    """Mean of the eight pixels two steps away, which share the colour of the middle one."""
    kernel = torch.zeros(1, 1, 5, 5, device=excess.device)
    kernel[0, 0, ::2, ::2] = 1 / 8
    kernel[0, 0, 2, 2] = 0
    return F.conv2d(excess[:, None], kernel, padding=2)[:, 0]
