"""The star layer: every star of a batch of scenes laid down with the shape it has at its place.

Nine places of the field have kernels of their own. The brightest stars get large stamps, so
that haloes and spikes are whole, faint compact ones small stamps, which is what keeps it fast.
Batched over frames of one shape, on CPU or GPU.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import torch
from torch import Tensor

from synth.optics import ASTIGMATISM, COMA_X, COMA_Y, DEFOCUS, OBLIQUE_ASTIGMATISM
from synth.patches import numbers_of
from synth.psf import Blur, Pupil, phase_stamps, star_light
from synth.recipes import lambda_over_d_px
from synth.scene import Bar, Scene
from synth.splat import PAD_PX, Splat, lay_down, plane_weights, splat
from synth.transfer import moved, sent

OVER = 4
STAMP_PX = 64
SMALL_PX = 24
BRIGHT_OVER = 2
BRIGHT_PX = 256
BRIGHT_STARS = 16
# The brightest stars are the mean of so many wavelengths within the filter's band.
WAVELENGTHS = 4
# 3 x 3 places in the field have their own star shape; -1 and 1 are the frame's edges.
ZONES = [(x, y) for y in (-2 / 3, 0.0, 2 / 3) for x in (-2 / 3, 0.0, 2 / 3)]
# Fried's r0 of 4 cm (2.5 arcsec) over an outer scale of 20 m (common practice).
R0_OVER_OUTER = 0.002
CENTRE_ZONE = 4


def zone_waves(scene: Scene, x: float, y: float) -> np.ndarray:
    """Zernike coefficients at a place in the field, waves rms."""
    waves = np.array(scene.waves)
    waves[COMA_X] += scene.field_coma_waves * x / np.sqrt(2)
    waves[COMA_Y] += scene.field_coma_waves * y / np.sqrt(2)
    waves[DEFOCUS] += scene.curvature_waves * (x * x + y * y) / 2
    waves[DEFOCUS] += scene.tilt_waves[0] * x + scene.tilt_waves[1] * y
    # Along or across the radius, growing with its square: cos and sin of twice its angle.
    waves[ASTIGMATISM] += scene.astigmatism_waves * (x * x - y * y) / 2
    waves[OBLIQUE_ASTIGMATISM] += scene.astigmatism_waves * x * y
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


def pupil_table(scenes: Sequence[Scene]) -> dict[str, np.ndarray]:
    """Arrays of a `Pupil`: the telescope's own vanes and any stray bars."""
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
    padded = np.array(
        [[numbers_of(bar) for bar in bars + [none] * (count - len(bars))] for bars in every],
        np.float32,
    )
    angle, width, offset, half = np.moveaxis(padded, 2, 0)
    return {
        "obstruction": np.array([s.rig.telescope.obstruction for s in scenes], np.float32),
        "bar_angle_deg": angle,
        "bar_width": width,
        "bar_offset": offset,
        "bar_half": half,
        "lambda_over_d_px": np.array([lambda_over_d_px(s) for s in scenes], np.float32),
        "bandwidth": np.array([s.rig.band_nm / s.rig.wavelength_nm for s in scenes], np.float32),
    }


def blur_table(
    scenes: Sequence[Scene], zones: Sequence[tuple[float, float]]
) -> dict[str, np.ndarray]:
    """Arrays of a `Blur`: what blurs the stars of each frame at each place."""
    waves = [[zone_waves(s, x, y) for x, y in zones] for s in scenes]
    paths = [[zone_path(s, x, y) for x, y in zones] for s in scenes]
    widths = [[seeing_px(s, s.seeing_factor)] * len(zones) for s in scenes]
    columns = {
        "waves": waves,
        "seeing_px": widths,
        "halo_px": [s.halo_px for s in scenes],
        "halo_share": [s.halo_share for s in scenes],
        "paths": paths,
        "r0_over_outer": [R0_OVER_OUTER] * len(scenes),
    }
    return {name: np.asarray(values, np.float32) for name, values in columns.items()}


def pupils(scenes: Sequence[Scene], device: torch.device | str) -> Pupil:
    return Pupil(**sent(pupil_table(scenes), device))


def blurs(scenes: Sequence[Scene], zones: list[tuple[float, float]], device: str) -> Blur:
    return Blur(**sent(blur_table(scenes, zones), device))


@dataclass(frozen=True)
class StarPlan:
    """All that the star layer of a batch needs, as arrays: made in worker processes.

    groups: bright stars (one kernel a frame), middling and faint ones (a kernel a place).
    pupil, and the waves of `blur`: of all different optics. optics: (B,) which of them each frame
    has. blur: besides, what blurs all places of a frame alike; the path is the middle's. turned,
    turned_paths: numbers (T,) of the frames whose field turns, and their paths (T, 9, K, 2) at its
    places.
    bright: numbers of the frames that have bright stars.
    """

    groups: tuple[Splat, Splat, Splat]
    pupil: dict[str, np.ndarray]
    blur: dict[str, np.ndarray]
    optics: np.ndarray
    turned: np.ndarray
    turned_paths: np.ndarray
    bright: np.ndarray


def plan_stars(scenes: Sequence[Scene]) -> StarPlan:
    """Who is laid down where, with which kernel."""
    parts: tuple[list, list, list] = ([], [], [])
    bright_frames: list[int] = []
    for i, scene in enumerate(scenes):
        stars = scene.stars
        x, y = stars.x_px + scene.shift_px[0], stars.y_px + scene.shift_px[1]
        margin = STAMP_PX // 2 - 2
        inside = (x > -margin) & (x < scene.width_px + margin)
        inside &= (y > -margin) & (y < scene.height_px + margin)
        bright = np.zeros(len(x), bool)
        bright[:BRIGHT_STARS] = stars.flux_e[:BRIGHT_STARS] > 2500 * scene.noise_e
        # Faint and compact: nothing of the star is left beyond a small stamp.
        compact = reach_px(scene) < 0.3 * SMALL_PX
        faint = (stars.flux_e < 150 * scene.noise_e) & compact
        zone_x = np.clip((x / scene.width_px * 3).astype(int), 0, 2)
        zone_y = np.clip((y / scene.height_px * 3).astype(int), 0, 2)
        kernel = i * len(ZONES) + zone_y * 3 + zone_x
        planes = plane_weights(scene, stars.colour)
        if (bright & inside).any():
            bright_frames.append(i)
        for group, chosen in zip(parts, (bright, ~bright & ~faint, ~bright & faint), strict=True):
            keep = chosen & inside
            frame = np.full(keep.sum(), i)
            number = frame * 0 + len(bright_frames) - 1 if group is parts[0] else kernel[keep]
            group.append((frame, number, x[keep], y[keep], stars.flux_e[keep], planes[keep]))
    size = scenes[0].height_px, scenes[0].width_px
    bright_group, middling, faint_group = (
        [np.concatenate(column) for column in zip(*group, strict=True)] for group in parts
    )
    pupil, blur, optics = once_each(pupil_table(scenes), blur_table(scenes, ZONES))
    turned = np.flatnonzero([scene.twist_deg != 0 for scene in scenes])
    turned_paths = blur["paths"][turned]
    middle = slice(CENTRE_ZONE, CENTRE_ZONE + 1)
    blur |= {name: blur[name][:, middle] for name in ("seeing_px", "paths")}
    return StarPlan(
        (
            splat(bright_group, BRIGHT_OVER, BRIGHT_PX, size),
            splat(middling, OVER, STAMP_PX, size),
            splat(faint_group, OVER, SMALL_PX, size),
        ),
        pupil,
        blur,
        optics,
        turned,
        turned_paths,
        np.array(bright_frames, int),
    )


def different(pupil: dict[str, np.ndarray], waves: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Frames (U,) of which no two share pupil and waves (B, ...), and (B,) which of these each
    frame looks like: the subs of a run mostly have one telescope in one state."""
    flat = [values.reshape(len(waves), -1) for values in (*pupil.values(), waves)]
    _, first, which = np.unique(
        np.concatenate(flat, 1), axis=0, return_index=True, return_inverse=True
    )
    return first, which.reshape(-1)


def once_each(
    pupil: dict[str, np.ndarray], blur: dict[str, np.ndarray]
) -> tuple[dict[str, np.ndarray], dict[str, np.ndarray], np.ndarray]:
    """Tables of B frames with pupil and waves of every different optics once, and (B,) which of
    these each frame has: what `star_light` takes."""
    first, which = different(pupil, blur["waves"])
    few = {name: values[first] for name, values in pupil.items()}
    return few, blur | {"waves": blur["waves"][first]}, which


def reach_px(scene: Scene) -> float:
    """Roughly how far a star's light goes: twice its width and the smear."""
    path = scene.path
    smear = float(np.abs(path).max()) + abs(np.deg2rad(scene.twist_deg)) * scene.width_px / 4
    optical = 15 * lambda_over_d_px(scene) * float(np.abs(scene.waves).max())
    edge = abs(scene.curvature_waves) + abs(scene.field_coma_waves)
    edge += abs(scene.astigmatism_waves)
    return seeing_px(scene, scene.seeing_factor) * 1.5 + smear + optical + 5 * edge


def wide_light(pupil: Pupil, blur: Blur, optics: Tensor | None = None) -> Tensor:
    """Light of bright stars, whole haloes and spikes: fine grid of BRIGHT_PX * BRIGHT_OVER.
    optics: see `star_light`."""
    return star_light(pupil, blur, BRIGHT_PX, BRIGHT_OVER, 256, band(pupil), optics)


def band(pupil: Pupil) -> tuple[Tensor, ...]:
    """Wavelengths over the reference, (B,) each, that the brightest stars are the mean of."""
    return pupil.colours(WAVELENGTHS).unbind(1)


def star_layer(plan: StarPlan, height: int, width: int, device: str) -> Tensor:
    """(B, H, W) electrons of all stars under a clear sky."""
    bright, middling, faint = plan.groups
    frames = len(plan.optics)
    canvas = torch.zeros(frames, height + 2 * PAD_PX, width + 2 * PAD_PX, device=device)
    stamps = field_stamps(plan, device)
    lay_down(canvas, stamps, middling)
    cut = (STAMP_PX - SMALL_PX) // 2
    lay_down(canvas, stamps[..., cut:-cut, cut:-cut], faint)
    if len(plan.bright):
        lay_down(canvas, bright_stamps(plan, device), bright)
    return canvas[:, PAD_PX : PAD_PX + height, PAD_PX : PAD_PX + width]


def field_stamps(plan: StarPlan, device: str) -> Tensor:
    """(B * 9 * OVER^2, STAMP_PX, STAMP_PX) stamps of all frames, places and phases."""
    pupil, table, turned = Pupil(**sent(plan.pupil, device)), plan.blur, None
    if len(plan.turned):
        turned = moved(plan.turned, device), moved(plan.turned_paths, device)
        common = table["paths"].copy()
        common[plan.turned] = 0.0  # their places have paths of their own
        table = table | {"paths": common}
    blur, optics = Blur(**sent(table, device)), moved(plan.optics, device)
    light = star_light(pupil, blur, STAMP_PX, OVER, 128, (1.0,), optics, turned)
    return phase_stamps(light, OVER).flatten(0, 2)


def bright_stamps(plan: StarPlan, device: str) -> Tensor:
    """(n * BRIGHT_OVER^2, BRIGHT_PX, BRIGHT_PX) stamps, in all phases, of the brightest stars of
    the n frames that have any."""
    wide = wide_light(*_bright_shapes(plan, device))
    return phase_stamps(wide, BRIGHT_OVER).flatten(0, 2)


def _bright_shapes(plan: StarPlan, device: torch.device | str) -> tuple[Pupil, Blur, Tensor]:
    """Pupils and blur, in the middle of the field, of the frames that have bright stars, and which
    pupil each has."""
    used, optics = np.unique(plan.optics[plan.bright], return_inverse=True)
    blur = {name: values[plan.bright] for name, values in plan.blur.items() if name != "waves"}
    blur["waves"] = plan.blur["waves"][used, CENTRE_ZONE : CENTRE_ZONE + 1]
    chosen = {name: values[used] for name, values in plan.pupil.items()}
    return (
        Pupil(**sent(chosen, device)),
        Blur(**sent(blur, device)),
        moved(optics.reshape(-1), device),
    )
