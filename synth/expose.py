"""Scenes of one shape become expected electrons: the place where light is collected.

Smooth parts (sky, clouds, shadows, ghosts) are made on every fourth pixel and enlarged; stars
come from `starlight`; trails are drawn at full resolution. Batched, on CPU or GPU.
"""

from collections.abc import Sequence

import numpy as np
import torch
import torch.nn.functional as F
from torch import Tensor

from synth import edges, field, reflections, shading, sky, streaks
from synth.plan import Plan
from synth.scene import Scene
from synth.sensor import drag, smear
from synth.starlight import star_layer
from synth.transfer import moved

MAP_STEP = 4


def _coarse_axis(size_px: int, device: torch.device | str) -> Tensor:
    """Places of the coarse map's points so that enlarging by MAP_STEP lands on the pixels."""
    count = -(-size_px // MAP_STEP)
    return torch.arange(count, device=device) * MAP_STEP + (MAP_STEP - 1) / 2


def _enlarge(coarse: Tensor, height: int, width: int) -> Tensor:
    big = F.interpolate(
        coarse[:, None], scale_factor=MAP_STEP, mode="bilinear", align_corners=False
    )
    return big[:, 0, :height, :width]


def expected_electrons(plan: Plan, device: str = "cpu") -> Tensor:
    """(B, H, W) mean electrons of each pixel, dark current and hot pixels included."""
    scenes = plan.scenes
    height, width = scenes[0].height_px, scenes[0].width_px
    x_px, y_px = _coarse_axis(width, device), _coarse_axis(height, device)

    def column(values: Sequence[float]) -> Tensor:
        return moved(values, device)[:, None, None]

    def each(name: str) -> list:
        return [getattr(scene, name) for scene in scenes]

    loss_mag = sky.cloud_loss_map(each("clouds"), x_px, y_px)
    clear = 10 ** (-0.4 * (loss_mag + column(each("extinction_mag"))))
    beyond = 1 + field.nebula_map(each("nebula"), x_px, y_px)
    beyond = beyond + field.galaxy_map(each("galaxies"), x_px, y_px)
    glow = sky.gradient_map(each("gradient"), x_px, y_px)
    glow = glow + sky.cloud_glow_map(each("clouds"), x_px, y_px, loss_mag)
    ghost = reflections.reflection_map(each("reflection"), x_px, y_px)
    shade = shading.vignetting_map(each("vignetting"), x_px, y_px)
    shade = shade * shading.dust_map(each("dust"), x_px, y_px)
    # Sky glow is in front of the clouds as much as behind: only what is beyond the air dims.
    sky_part = ((beyond - 1) * clear + (1 + glow).clamp_min(0.02) + ghost) * shade
    peak_e = column([_strongest_plane_sky_e(scene) for scene in scenes])
    image = _enlarge(sky_part * peak_e, height, width)
    if any(scene.rig.camera.cfa for scene in scenes):
        image = image * _mosaic([scene.plane_response for scene in scenes], height, width, device)
    image = image + star_layer(plan.stars, height, width, device) * _enlarge(
        clear * shade, height, width
    )
    with_trails = [i for i, scene in enumerate(scenes) if scene.trails]
    if with_trails:
        full_x = torch.arange(width, device=device, dtype=torch.float32)
        full_y = torch.arange(height, device=device, dtype=torch.float32)
        rows = moved(np.array(with_trails), device)
        drawn = streaks.trail_map([list(scenes[i].trails) for i in with_trails], full_x, full_y)
        # Their light, as drawn, is that below the air, but not below the clouds.
        dimmed = (10 ** (-0.4 * loss_mag) * shade).expand(len(scenes), -1, -1)
        image.index_add_(0, rows, drawn * _enlarge(dimmed[rows], height, width))
    smear(image, each("smear_share"))
    drag(image, each("charge_tail"))
    edges.darken(image, each("edges"))
    glowing = [i for i, scene in enumerate(scenes) if scene.amp_glow is not None]
    if glowing:
        amp_glow = sky.amp_glow_map([scenes[i].amp_glow for i in glowing], x_px, y_px)
        glow_e = _enlarge(amp_glow, height, width)
        image.index_add_(0, moved(np.array(glowing), device), glow_e)
    image = (image + column(each("dark_e"))).contiguous()
    places = moved(plan.defect_place, device)
    image.view(-1).index_add_(0, places, moved(plan.defect_e, device))
    return image


def _strongest_plane_sky_e(scene: Scene) -> float:
    return scene.sky_e / float(np.mean(scene.plane_response))


def _mosaic(
    responses: Sequence[tuple[float, ...]], height: int, width: int, device: torch.device | str
) -> Tensor:
    """(B, H, W) response of every pixel from that of the four places of its 2 x 2 mosaic."""
    four = moved(np.array(responses, np.float32), device).reshape(-1, 2, 2)
    return four.repeat(1, -(-height // 2), -(-width // 2))[:, :height, :width]
