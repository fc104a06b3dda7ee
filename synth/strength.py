"""How strong each fault really is in a scene's light: the truth the labels are made from.

Sky faults know their strength when drawn. Star faults are measured on the noiseless star in the
middle of the field, against the same star without the fault, so that the label is what an ideal
observer would read off the frame. A fault that noise would hide from any observer is not scored.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from classifier.vocabulary import FAULTS, INDEX, KEYS
from synth import expose, tracking
from synth.psf import Blur, fwhm_px, half_flux_radius_px, star_light
from synth.scene import Scene
from synth.starlight import OVER, STAMP_PX, ZONES, blurs, pupils, zone_path

SHAPE_KEYS = (
    "vibration",
    "drift",
    "defocus",
    "bloated_stars",
    "miscollimation",
    "guiding_loss",
)
# Value of each fault in a frame without it.
ABSENT = {
    "vibration": 1.0,
    "drift": 1.0,
    "defocus": 1.0,
    "bloated_stars": 1.0,
    "miscollimation": 1.0,
    "bayer_grid": 1.0,
}
NAN = float("nan")


def strengths(scenes: Sequence[Scene], device: str = "cpu") -> np.ndarray:
    """(B, 16) strengths in the vocabulary's units and order; NaN = leave out of the frame."""
    table = np.zeros((len(scenes), len(KEYS)))
    for key, value in ABSENT.items():
        table[:, INDEX[key]] = value
    good, optics, air = _star_sizes(scenes, device)
    for i, scene in enumerate(scenes):
        row = dict(scene.strength)
        width_px = good[1][i]
        if "defocus" in scene.recipe or "miscollimation" in scene.recipe:
            ratio = optics[0][i] / good[0][i]
            row |= {k: ratio for k in ("defocus", "miscollimation") if k in scene.recipe}
        if "bloated_stars" in scene.recipe:
            halo = 1 + 0.4 * (scene.halo_share - scene.good_halo_share) / 0.15
            row["bloated_stars"] = max(air[1][i] / width_px, halo)
        for key in ("vibration", "drift"):
            if key in scene.recipe:
                row[key] = elongation(scene, width_px)
        row["hot_pixels"] = hot_percent(scene)
        row["low_signal"] = scene.sky_e / scene.rig.camera.read_noise_e**2
        if scene.rig.camera.cfa:
            row["bayer_grid"] = min(scene.plane_response) / max(scene.plane_response)
        if scene.clouds is not None:
            row["clouds"] = max(scene.clouds.mean_mag, scene.clouds.rms_mag * 0.25 / 0.15)
        for key, value in row.items():
            table[i, INDEX[key]] = value
        _hide_the_invisible(table[i], scene, width_px)
    return table


def _star_sizes(scenes: Sequence[Scene], device: str) -> list[tuple[np.ndarray, np.ndarray]]:
    """HFR and FWHM in px of the central star: good, with the optics' faults, with the air's."""
    still = [replace(s, path=tracking.still(), twist_deg=0.0) for s in scenes]
    air_good = [
        replace(s, seeing_factor=1.0, halo_share=s.good_halo_share, halo_px=s.good_halo_px)
        for s in still
    ]
    good = [replace(s, waves=s.good_waves, bars=()) for s in air_good]
    air = [replace(s, waves=s.good_waves, bars=()) for s in still]
    sizes = []
    for variant in (good, air_good, air):
        light = star_light(
            pupils(variant, device), _at_centre(variant, device), STAMP_PX, OVER, 128, (1.0,)
        )
        sizes.append(
            (
                half_flux_radius_px(light, OVER)[:, 0].cpu().numpy(),
                fwhm_px(light, OVER)[:, 0].cpu().numpy(),
            )
        )
    return sizes


def _at_centre(scenes: Sequence[Scene], device: str) -> Blur:
    return blurs(scenes, [(0.0, 0.0)], device)


def elongation(scene: Scene, good_fwhm_px: float) -> float:
    """Axis ratio of the smeared star's second moments, middle of the field's nine places."""
    base = (good_fwhm_px / 2.3548) ** 2
    ratios = []
    for x, y in ZONES:
        low, high = np.linalg.eigvalsh(np.cov(zone_path(scene, x, y).T, bias=True))
        ratios.append(np.sqrt((base + high) / (base + max(0.0, low))))
    return float(np.median(ratios))


def hot_percent(scene: Scene) -> float:
    """Percent of the pixels over 10 sigma, bad columns included."""
    _, electrons = expose.hot_pixels(scene)
    over = float((electrons > 10 * scene.noise_e).sum())
    over += 0.5 * 0.5 * scene.bad_columns * scene.height_px
    return 100 * over / (scene.width_px * scene.height_px)


def _hide_the_invisible(row: np.ndarray, scene: Scene, width_px: float) -> None:
    """NaN where a fault is drawn but nobody could see it, or two faults are one light."""
    camera, sky_e, noise_e = scene.rig.camera, scene.sky_e, scene.noise_e
    if scene.reflection is not None:
        # 3 % of the sky counts only from 1 sigma in a mean over 16 x 16 px.
        seen = row[INDEX["reflection"]] / 100 * sky_e * 16 / noise_e
        row[INDEX["reflection"]] = min(row[INDEX["reflection"]], 3 * seen)
    if scene.dust is not None:
        area = max(np.pi * m.outer_px**2 for m in scene.dust.motes)
        if row[INDEX["dust_motes"]] / 100 * sky_e * np.sqrt(area) / noise_e < 8:
            row[INDEX["dust_motes"]] = NAN
    if row[INDEX["gradient"]] / 100 * sky_e * 200 / noise_e < 6 and scene.gradient is not None:
        row[INDEX["gradient"]] = 0.0 if row[INDEX["gradient"]] < 7.5 else NAN
    if row[INDEX["vignetting"]] / 100 * sky_e * 200 / noise_e < 6:
        row[INDEX["vignetting"]] = 0.0 if row[INDEX["vignetting"]] < 15 else NAN
    if camera.cfa and scene.processing == "interpolated" and row[INDEX["bayer_grid"]] < 0.5:
        row[INDEX["bayer_grid"]] = NAN
    given = [key for key in SHAPE_KEYS if key in scene.recipe]
    smear = 1.0 + max((row[INDEX[key]] for key in given), default=0.0)
    loss = scene.clouds.mean_mag if scene.clouds is not None else 0.0
    visible = scene.stars.flux_e * 10 ** (-0.4 * loss) > 18 * noise_e * width_px * smear**0.5
    few = int(visible[:400].sum()) < 4
    for key in given:
        fault = FAULTS[INDEX[key]]
        if few and fault.target(row[INDEX[key]]) > 0:
            row[INDEX[key]] = NAN
    if len(given) > 1:
        # Two smears in one star: the weaker may be drowned, and neither is wrong to name.
        ranked = sorted(given, key=lambda key: FAULTS[INDEX[key]].target(row[INDEX[key]]))
        for key in ranked[:-1]:
            if FAULTS[INDEX[key]].target(row[INDEX[key]]) > 0:
                row[INDEX[key]] = NAN
