"""What a crowded field leaves of the S/N of faint light that lies among its stars."""

import numpy as np

from synth.scene import Scene


def left_by_stars(scene: Scene, grain_weight: float = 1.0) -> float:
    """Share, 0 to 1, of a faint and wide light's S/N that is left among the scene's stars.

    Stars that stand out are masked and take their part of the light with them; those that do not
    are noise: per star of flux f a sum over many pixels sees f^2 over the area, where it sees
    sigma^2 of white noise. `grain_weight`: factor to f^2 for other filters than a plain sum.
    """
    sigma_px = scene.good_fwhm_px / 2.3548
    area_px = scene.width_px * scene.height_px
    flux_e = scene.stars.flux_e / scene.noise_e
    seen = flux_e > 5 * 2 * np.pi * sigma_px**2
    grain = grain_weight * (flux_e[~seen] ** 2).sum() / area_px
    # Covered out to where a Gaussian star is half a sigma high.
    height = flux_e[seen] / (2 * np.pi * sigma_px**2)
    covered = (np.pi * 2 * sigma_px**2 * np.log(height / 0.5)).sum() / area_px
    return float(np.sqrt(np.exp(-covered) / (1 + grain)))
