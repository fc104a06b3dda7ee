"""How far the spikes of stray bars stand out of the brightest star: the truth behind the label.

The star is made twice, with the stray bars and without. What the bars add along a spike beyond
six FWHM, over the noise of sky and star there, is the strength; the best length is taken. No star's
halo is smooth: a share of what it has of its own light there counts as noise, or bright stars would
have spikes of a hundred sigma that nobody sees in their glare. Burnt pixels show nothing. The star
is as bright as it reaches the sensor, and what a stored picture drowns is nobody's to name.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import torch
from torch import Tensor

from synth import pictures
from synth.crowding import arriving_e, left_by_stars
from synth.processing import is_drowned
from synth.psf import Blur, Pupil
from synth.scene import Scene
from synth.starlight import BRIGHT_OVER, BRIGHT_PX, blur_table, pupil_table, wide_light
from synth.transfer import moved, sent

INNER_FWHM = 6.0
LENGTHS_PX = (12, 20, 32, 50, 80)
# A bar this close to a regular vane hides behind the vane's own spike: nobody can call it odd.
HIDDEN_DEG = 4.0
# Bars of a rig without vanes that cross squarely and are about as wide as each other: their star
# is that of a telescope with four vanes.
SQUARE_DEG, AS_WIDE = 15.0, 2.0
# Of the star's own light along a ray, that its halo's grain and rays of its own make. Of strong
# spikes that a network overlooked and others that it found it tells more apart (AUC 0.82) than the
# noise of photons alone (0.60); a half or twice as much does as well.
GRAIN = 0.1


@dataclass(frozen=True)
class SpikePlan:
    """Stray bars of the frames that have any, as arrays. frames: their numbers among `count`.

    angle_deg: (n, k) directions of the spikes, NaN = none or behind one of a regular vane.
    flux_e: (n,) of the brightest star well inside the frame, 0 = none. room_e: (n,) what a pixel
    holds over the sky. hidden: (n,) nobody can call any of the spikes odd. kept: (n,) share of the
    S/N that the file has left.
    """

    count: int
    frames: np.ndarray
    angle_deg: np.ndarray
    flux_e: np.ndarray
    noise_e: np.ndarray
    room_e: np.ndarray
    hidden: np.ndarray
    kept: np.ndarray
    pupil: dict[str, np.ndarray]
    plain: dict[str, np.ndarray]
    blur: dict[str, np.ndarray]


def plan_spikes(scenes: Sequence[Scene]) -> SpikePlan:
    """Numpy's part of `spike_strengths`."""
    chosen = np.array([i for i, s in enumerate(scenes) if s.bars], int)
    some = [scenes[i] for i in chosen]
    if not some:
        none = np.zeros(0)
        return SpikePlan(
            len(scenes), chosen, np.zeros((0, 0)), none, none, none, none > 0, none, {}, {}, {}
        )
    angles = np.full((len(some), max(len(s.bars) for s in some)), np.nan)
    for row, scene in zip(angles, some, strict=True):
        is_free = off_vanes_deg(scene) >= HIDDEN_DEG
        spikes_deg = [bar.angle_deg + 90 for bar in scene.bars]
        row[: len(scene.bars)] = np.where(is_free, spikes_deg, np.nan)
    return SpikePlan(
        len(scenes),
        chosen,
        angles,
        np.array([_brightest_e(s) for s in some]),
        # Neighbours lie on the spikes: what they leave of a spike's S/N makes the noise larger.
        np.array([s.noise_e / left_by_stars(s) for s in some]),
        np.array([_room_e(s) for s in some]),
        np.isnan(angles).all(1) | [looks_like_vanes(s) for s in some],
        np.array([pictures.signal_kept(s) for s in some]),
        pupil_table(some),
        pupil_table([replace(s, bars=()) for s in some]),
        blur_table(some, [(0.0, 0.0)]),
    )


def _room_e(scene: Scene) -> float:
    """Electrons that a pixel holds over the sky before it burns or its number ends."""
    camera = scene.rig.camera
    return float(camera.gain_e_adu * (camera.saturation_adu - camera.offset_adu) - scene.sky_e)


def _brightest_e(scene: Scene) -> float:
    """Electrons that arrive of the brightest star whose spikes are in the frame."""
    x, y = scene.stars.x_px + scene.shift_px[0], scene.stars.y_px + scene.shift_px[1]
    margin = min(32.0, 0.1 * min(scene.width_px, scene.height_px))
    inside = (x > margin) & (x < scene.width_px - margin)
    inside &= (y > margin) & (y < scene.height_px - margin)
    return float(arriving_e(scene)[inside].max(initial=0.0))


def off_vanes_deg(scene: Scene) -> np.ndarray:
    """(k,) the least angle between the spikes of each stray bar of a scene and those of a regular
    vane, 0 to 90; 90 where there is none."""
    telescope = scene.rig.telescope
    bars = np.array([bar.angle_deg for bar in scene.bars])
    vanes = telescope.vane_angle_deg + 360.0 * np.arange(telescope.vanes) / max(telescope.vanes, 1)
    away = np.abs((bars[:, None] - vanes[None] + 90) % 180 - 90)
    return np.asarray(away.min(1, initial=90.0))


def looks_like_vanes(scene: Scene) -> bool:
    """Whether the only two bars of a rig without vanes make the cross of one with four."""
    if scene.rig.telescope.vanes or len(scene.bars) != 2:
        return False
    one, other = scene.bars
    from_square = abs((one.angle_deg - other.angle_deg) % 180 - 90)
    alike = 1 / AS_WIDE < one.width / other.width < AS_WIDE
    return bool(from_square < SQUARE_DEG and alike and one.half == other.half)


def spike_strengths(plan: SpikePlan, good_fwhm_px: np.ndarray, device: str = "cpu") -> np.ndarray:
    """(count,) sigma of the strongest odd spike beyond 6 FWHM; 0 without bars, NaN where regular
    spikes hide it, or look the same, or a stored picture drowns it."""
    out = np.zeros(plan.count)
    if len(plan.frames) == 0:
        return out
    blur = Blur(**sent(plan.blur, device))
    odd = wide_light(Pupil(**sent(plan.pupil, device)), blur)[:, 0]
    plain = wide_light(Pupil(**sent(plan.plain, device)), blur)[:, 0]
    # Pixel values of the star in the middle of a pixel: every second point of the fine grid.
    odd, plain = odd[:, ::BRIGHT_OVER, ::BRIGHT_OVER], plain[:, ::BRIGHT_OVER, ::BRIGHT_OVER]

    def column(values: np.ndarray) -> Tensor:
        return moved(values.astype(np.float32), device)[:, None, None]

    flux, width = column(plan.flux_e), column(good_fwhm_px[plan.frames])
    signal = (odd - plain) * flux
    noise2 = column(plan.noise_e) ** 2 + odd * flux
    own, is_free = plain * flux, odd * flux < column(plan.room_e)
    axis = torch.arange(BRIGHT_PX, device=device).float() - BRIGHT_PX // 2
    best = torch.zeros(len(plan.frames), device=device)
    for k in range(plan.angle_deg.shape[1]):
        angle = torch.deg2rad(column(np.nan_to_num(plan.angle_deg[:, k])))
        along = axis[None, None] * torch.cos(angle) + axis[None, :, None] * torch.sin(angle)
        across = axis[None, :, None] * torch.cos(angle) - axis[None, None] * torch.sin(angle)
        there = moved(~np.isnan(plan.angle_deg[:, k]), device)
        outward = torch.stack((along, -along), 1)
        start = INNER_FWHM * width
        ray = (is_free & (across.abs() < 0.75 * width))[:, None] & (outward > start[:, None])
        for length in LENGTHS_PX:
            lit = ray & (outward < (start + length)[:, None])
            grain = GRAIN * (own[:, None] * lit).sum((2, 3))
            sigma = ((noise2[:, None] * lit).sum((2, 3)) + grain**2).sqrt().clamp_min(1e-6)
            snr = there[:, None] * (signal[:, None] * lit).sum((2, 3)) / sigma
            best = torch.maximum(best, snr.amax(1))
    found = best.cpu().numpy()
    pairs = zip(found, plan.kept, strict=True)
    drowned = [is_drowned("diffraction_spikes", float(snr), kept) for snr, kept in pairs]
    out[plan.frames] = np.where(plan.hidden | np.array(drowned), np.nan, found)
    return out
