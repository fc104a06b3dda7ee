"""What a crowded field leaves of the S/N of faint light that lies among its stars."""

import numpy as np

from synth.scene import Scene
from synth.splat import plane_weights

# A star whose own matched filter reaches this S/N is seen and masked (common practice: 5).
SEEN_SNR = 5.0
# Masks reach out to where a star adds this many sigma to a pixel.
MASKED_SIGMA = 0.5
# Moffat exponent of a long exposure through air, wings included (Racine 1996, PASP 108, 699, from
# memory: 2.5 to 4).
WINGS_BETA = 2.9


def arriving_e(scene: Scene) -> np.ndarray:
    """(n,) electrons of the scene's stars as they reach the sensor: dimmed by the air and by the
    mean cloud, and of a mosaic the mean of its four places."""
    share = plane_weights(scene, scene.stars.colour).mean(1) * 10 ** (-0.4 * scene.loss_mag)
    return np.asarray(scene.stars.flux_e * share)


def left_by_stars(scene: Scene, grain_weight: float = 1.0) -> float:
    """Share, 0 to 1, of a faint and wide light's S/N that is left among the scene's stars, for
    whoever masks the stars that can be seen.

    A star is seen from S/N 5 of its own, F / (2 sqrt(pi) s) for flux F in sigma and width s in px
    (the matched filter of a Gaussian). It takes the light under its wings with it, out to half a
    sigma; masks overlap as chance has it. Stars that are not seen are noise: per star a sum over
    many pixels sees F^2 over the area, where it sees 1 of white noise. `grain_weight`: factor to
    F^2 for other filters than a plain sum.
    """
    sigma_px = scene.good_fwhm_px / 2.3548
    x = scene.stars.x_px + scene.shift_px[0]
    y = scene.stars.y_px + scene.shift_px[1]
    inside = (x > 0) & (x < scene.width_px) & (y > 0) & (y < scene.height_px)
    area_px = scene.width_px * scene.height_px
    flux = arriving_e(scene)[inside] / scene.noise_e
    seen = flux > SEEN_SNR * 2 * np.sqrt(np.pi) * sigma_px
    grain = grain_weight * (flux[~seen] ** 2).sum() / area_px
    core2_px = (scene.good_fwhm_px / 2) ** 2 / (2 ** (1 / WINGS_BETA) - 1)
    height = flux[seen] * (WINGS_BETA - 1) / (np.pi * core2_px)
    radius2_px = core2_px * ((height / MASKED_SIGMA).clip(1) ** (1 / WINGS_BETA) - 1)
    covered = np.pi * radius2_px.sum() / area_px
    return float(np.sqrt(np.exp(-covered) / (1 + grain)))
