"""The star layer: every star of a batch of scenes laid down with the shape it has at its place.

Nine places of the field have kernels of their own. The brightest stars get large stamps, so
that haloes and spikes are whole, faint compact ones small stamps, which is what keeps it fast.
Batched over frames of one shape, on CPU or GPU.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import torch
from torch import Tensor

from synth.optics import COMA_X, COMA_Y, DEFOCUS
from synth.psf import Blur, Pupil, phase_stamps, star_light
from synth.recipes import lambda_over_d_px
from synth.scene import Bar, Scene

OVER = 4
STAMP_PX = 64
SMALL_PX = 24
BRIGHT_OVER = 2
BRIGHT_PX = 256
BRIGHT_STARS = 16
PAD_PX = 160
# 3 x 3 places in the field have their own star shape; -1 and 1 are the frame's edges.
ZONES = [(x, y) for y in (-2 / 3, 0.0, 2 / 3) for x in (-2 / 3, 0.0, 2 / 3)]
CENTRE_ZONE = 4


def zone_waves(scene: Scene, x: float, y: float) -> np.ndarray:
    """Zernike coefficients at a place in the field, waves rms."""
    waves = np.array(scene.waves)
    waves[COMA_X] += scene.field_coma_waves * x / np.sqrt(2)
    waves[COMA_Y] += scene.field_coma_waves * y / np.sqrt(2)
    waves[DEFOCUS] += scene.curvature_waves * (x * x + y * y) / 2
    waves[DEFOCUS] += scene.tilt_waves[0] * x + scene.tilt_waves[1] * y
    return waves


def zone_path(scene: Scene, x: float, y: float) -> np.ndarray:
    """Path of a star at a place in the field: the common path plus the turn about a point."""
    if scene.twist_deg == 0:
        return scene.path
    away_x = (x - scene.twist_centre[0]) * scene.width_px / 2
    away_y = (y - scene.twist_centre[1]) * scene.height_px / 2
    turn = np.deg2rad(scene.twist_deg) * np.linspace(-0.5, 0.5, len(scene.path))
    return scene.path + np.stack((-turn * away_y, turn * away_x), 1)


def seeing_px(scene: Scene, factor: float) -> float:
    """FWHM of air and tracking residual, px; the residual is taken as more seeing."""
    rig = scene.rig
    blur = np.hypot(rig.seeing_arcsec * factor, 2.355 * rig.tracking_rms_arcsec)
    return float(blur / rig.scale_arcsec)


def pupils(scenes: Sequence[Scene], device: torch.device | str) -> Pupil:
    """Pupils with the telescope's own vanes and any stray bars."""
    every: list[list[Bar]] = []
    for scene in scenes:
        telescope = scene.rig.telescope
        bars = list(scene.bars)
        for vane in range(telescope.vanes):
            angle = telescope.vane_angle_deg + 360.0 * vane / telescope.vanes
            bars.append(Bar(angle, telescope.vane_mm / telescope.aperture_mm, 0.0, True))
        every.append(bars)
    count = max(1, *(len(bars) for bars in every))
    none = Bar(0.0, 0.0, 0.0, False)
    padded = [bars + [none] * (count - len(bars)) for bars in every]

    def grid(name: str) -> Tensor:
        rows = [[float(getattr(bar, name)) for bar in bars] for bars in padded]
        return torch.tensor(rows, device=device)

    def column(values: list[float]) -> Tensor:
        return torch.tensor(values, device=device)

    return Pupil(
        column([s.rig.telescope.obstruction for s in scenes]),
        grid("angle_deg"),
        grid("width"),
        grid("offset"),
        grid("half"),
        column([lambda_over_d_px(s) for s in scenes]),
    )


def blurs(scenes: Sequence[Scene], zones: list[tuple[float, float]], device: str) -> Blur:
    """What blurs the stars of each frame at each place."""
    waves = np.array([[zone_waves(s, x, y) for x, y in zones] for s in scenes])
    paths = np.array([[zone_path(s, x, y) for x, y in zones] for s in scenes])
    widths = np.array([[seeing_px(s, s.seeing_factor)] * len(zones) for s in scenes])

    def tensor(values: object) -> Tensor:
        return torch.as_tensor(np.asarray(values), dtype=torch.float32, device=device)

    return Blur(
        tensor(waves),
        tensor(widths),
        tensor([s.halo_px for s in scenes]),
        tensor([s.halo_share for s in scenes]),
        tensor(paths),
    )


@dataclass(frozen=True)
class Splat:
    """Stars ready to be laid down: arrays over all stars of a batch."""

    frame: np.ndarray
    kernel: np.ndarray
    x_px: np.ndarray
    y_px: np.ndarray
    flux_e: np.ndarray
    planes: np.ndarray


def lay_down(
    canvas: Tensor, kernels: Tensor, stars: Splat, over: int, chunk: int = 1 << 24
) -> None:
    """Add stars to the padded canvas (B, H + 2 PAD, W + 2 PAD) in place.

    kernels: (n, over^2, side, side). Sub-pixel places are rounded to 1 / over px.
    """
    if len(stars.frame) == 0:
        return
    device, side = canvas.device, kernels.shape[-1]
    fine_x = np.floor((stars.x_px) * over + 0.5).astype(np.int64)
    fine_y = np.floor((stars.y_px) * over + 0.5).astype(np.int64)
    phase = (fine_x % over) + over * (fine_y % over)
    left = fine_x // over - side // 2
    top = fine_y // over - side // 2
    # Planes in the order in which the stamp's own corner meets the mosaic.
    order = np.array(
        [
            [(dy ^ py) * 2 + (dx ^ px) for dy in (0, 1) for dx in (0, 1)]
            for py in (0, 1)
            for px in (0, 1)
        ]
    )
    weights = np.take_along_axis(stars.planes, order[(top % 2) * 2 + left % 2], 1)
    start = (stars.frame * canvas.shape[1] + top + PAD_PX) * canvas.shape[2] + left + PAD_PX
    steps = torch.arange(side, device=device)
    inner = steps[:, None] * canvas.shape[2] + steps[None]
    flat = canvas.view(-1)
    coloured = bool((stars.planes != 1).any())
    block = max(1, chunk // side**2)
    for i in range(0, len(start), block):
        part = slice(i, i + block)
        index = torch.from_numpy(stars.kernel[part] * over**2 + phase[part]).to(device)
        flux = torch.from_numpy(stars.flux_e[part]).float().to(device)
        light = kernels.flatten(0, 1)[index] * flux[:, None, None]
        if coloured:
            plane = torch.from_numpy(weights[part]).float().to(device).reshape(-1, 1, 2, 1, 2)
            light = (light.reshape(-1, side // 2, 2, side // 2, 2) * plane).reshape(light.shape)
        place = torch.from_numpy(start[part]).to(device)[:, None, None] + inner
        flat.index_add_(0, place.flatten(), light.flatten())


def _plane_weights(scene: Scene, colour: np.ndarray) -> np.ndarray:
    """(n, 4) share of a star's electrons that each mosaic place collects, by its colour."""
    response = np.array(scene.plane_response)
    if scene.rig.camera.cfa is None:
        return np.ones((len(colour), 4))
    # Red stars give red pixels more; half a magnitude of B - V is some 20 % (common practice).
    slope = {"R": 0.35, "G": 0.0, "B": -0.45}
    tint = np.array([slope[name] for name in scene.rig.camera.cfa])
    return response[None] * np.exp(tint[None] * (colour[:, None] - 0.7)).clip(0.3, 3)


def arrange(scenes: Sequence[Scene]) -> tuple[Splat, Splat, Splat]:
    """Bright stars (one kernel a frame), middling ones and faint ones (a kernel a place)."""
    parts: tuple[list, list, list] = ([], [], [])
    for i, scene in enumerate(scenes):
        stars = scene.stars
        x, y = stars.x_px + scene.shift_px[0], stars.y_px + scene.shift_px[1]
        margin = STAMP_PX // 2 - 2
        inside = (x > -margin) & (x < scene.width_px + margin)
        inside &= (y > -margin) & (y < scene.height_px + margin)
        bright = np.zeros(len(x), bool)
        bright[:BRIGHT_STARS] = stars.flux_e[:BRIGHT_STARS] > 2500 * scene.noise_e
        # Faint and compact: nothing of the star is left beyond a small stamp.
        compact = _reach_px(scene) < 0.3 * SMALL_PX
        faint = (stars.flux_e < 150 * scene.noise_e) & compact
        zone_x = np.clip((x / scene.width_px * 3).astype(int), 0, 2)
        zone_y = np.clip((y / scene.height_px * 3).astype(int), 0, 2)
        kernel = i * len(ZONES) + zone_y * 3 + zone_x
        planes = _plane_weights(scene, stars.colour)
        for group, chosen in zip(parts, (bright, ~bright & ~faint, ~bright & faint), strict=True):
            keep = chosen & inside
            frame = np.full(keep.sum(), i)
            index = frame if group is parts[0] else kernel[keep]
            group.append((frame, index, x[keep], y[keep], stars.flux_e[keep], planes[keep]))
    return tuple(  # type: ignore[return-value]
        Splat(*(np.concatenate(column) for column in zip(*group, strict=True))) for group in parts
    )


def _reach_px(scene: Scene) -> float:
    """Roughly how far a star's light goes: twice its width and the smear."""
    path = scene.path
    smear = float(np.abs(path).max()) + abs(np.deg2rad(scene.twist_deg)) * scene.width_px / 4
    optical = 15 * lambda_over_d_px(scene) * float(np.abs(scene.waves).max())
    edge = abs(scene.curvature_waves) + abs(scene.field_coma_waves)
    return seeing_px(scene, scene.seeing_factor) * 1.5 + smear + optical + 5 * edge


def star_layer(scenes: Sequence[Scene], groups: tuple[Splat, Splat, Splat], device: str) -> Tensor:
    """(B, H, W) electrons of all stars under a clear sky; `groups` from `arrange`."""
    height, width = scenes[0].height_px, scenes[0].width_px
    canvas = torch.zeros(len(scenes), height + 2 * PAD_PX, width + 2 * PAD_PX, device=device)
    pupil = pupils(scenes, device)
    bright, middling, faint = groups
    light = star_light(pupil, blurs(scenes, ZONES, device), STAMP_PX, OVER, 128, (1.0,))
    stamps = phase_stamps(light, OVER).flatten(0, 1)
    lay_down(canvas, stamps, middling, OVER)
    cut = (STAMP_PX - SMALL_PX) // 2
    lay_down(canvas, stamps[..., cut:-cut, cut:-cut].contiguous(), faint, OVER)
    if len(bright.frame):
        some = np.unique(bright.frame)
        chosen = [scenes[i] for i in some]
        colours = (0.88, 0.96, 1.04, 1.12)
        centre = blurs(chosen, [ZONES[CENTRE_ZONE]], device)
        wide = star_light(pupils(chosen, device), centre, BRIGHT_PX, BRIGHT_OVER, 256, colours)
        stamps = phase_stamps(wide, BRIGHT_OVER).flatten(0, 1)
        index = np.searchsorted(some, bright.kernel)
        moved = replace(bright, kernel=index)
        lay_down(canvas, stamps, moved, BRIGHT_OVER)
    return canvas[:, PAD_PX : PAD_PX + height, PAD_PX : PAD_PX + width]
