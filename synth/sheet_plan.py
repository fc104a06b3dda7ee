"""Scenes as arrays for star cut-outs: made in worker processes, without a device."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from synth.defects import response_rms
from synth.scene import Scene
from synth.splat import plane_weights
from synth.starlight import ZONES, blur_table, pupil_table, reach_px
from synth.strength import Truth, prepare

NUMBERS = (
    "gain_e_adu",
    "read_noise_e",
    "offset_adu",
    "full_well_e",
    "top_adu",
    "saturation_adu",
    "prnu",
    "blooms",
    "is_cfa",
    "dark_e",
    "noise_e",
    "hot_share",
    "hot_e",
    "reach_px",
)


@dataclass(frozen=True)
class SheetPlan:
    """B scenes of one shape as arrays, made without a device: small, and it travels well.

    size_px: height, width. numbers: (B, len(NUMBERS)). sky_e: (B, 4) of the mosaic's places.
    stars: (B, n, 3) x, y, electrons, brightest first, 0 electrons where there is none.
    planes: (B, n, 4) share of a star that each place of the mosaic collects; None = all of it.
    """

    size_px: tuple[int, int]
    numbers: np.ndarray
    sky_e: np.ndarray
    stars: np.ndarray
    planes: np.ndarray | None
    pupil: dict[str, np.ndarray]
    blur: dict[str, np.ndarray]
    truth: Truth

    def __len__(self) -> int:
        return len(self.numbers)


def plan_sheets(scenes: Sequence[Scene]) -> SheetPlan:
    """Scenes of one shape -> their plan; what lies in the sky but stars is left out."""
    count = max(len(s.stars.flux_e) for s in scenes)
    stars = np.zeros((len(scenes), max(1, count), 3), np.float32)
    any_cfa = any(s.rig.camera.cfa for s in scenes)
    planes = np.ones((*stars.shape[:2], 4), np.float32) if any_cfa else None
    for i, scene in enumerate(scenes):
        drawn = scene.stars
        n = len(drawn.flux_e)
        stars[i, :n, 0] = drawn.x_px + scene.shift_px[0]
        stars[i, :n, 1] = drawn.y_px + scene.shift_px[1]
        stars[i, :n, 2] = drawn.flux_e * 10 ** (-0.4 * scene.extinction_mag)
        if planes is not None and n:
            planes[i, :n] = plane_weights(scene, drawn.colour)
    return SheetPlan(
        (scenes[0].height_px, scenes[0].width_px),
        np.array([_numbers(s) for s in scenes], np.float32),
        np.array([_sky_e(s) for s in scenes], np.float32),
        stars,
        planes,
        pupil_table(scenes),
        blur_table(scenes, ZONES),
        prepare(scenes),
    )


def _numbers(scene: Scene) -> list[float]:
    camera = scene.rig.camera
    values = {
        "gain_e_adu": camera.gain_e_adu,
        "read_noise_e": camera.read_noise_e,
        "offset_adu": camera.offset_adu,
        "full_well_e": camera.full_well_e,
        "top_adu": 2.0**camera.bits - 1,
        "saturation_adu": camera.saturation_adu,
        "prnu": response_rms(scene),
        "blooms": float(camera.blooms),
        "is_cfa": float(camera.cfa is not None),
        "dark_e": scene.dark_e,
        "noise_e": scene.noise_e,
        "hot_share": scene.hot_share,
        "hot_e": scene.hot_e,
        "reach_px": reach_px(scene),
    }
    return [values[name] for name in NUMBERS]


def _sky_e(scene: Scene) -> np.ndarray:
    response = np.array(scene.plane_response)
    return scene.sky_e / response.mean() * response
