"""What good optics still do to a star: slight errors, mild corners, scattered light.

Errors are drawn as a share of the good star's width, not of the wavelength: a user accepts stars
that look good, whatever the aperture. None of it is a fault.
"""

from typing import Any

import numpy as np

from synth.optics import COMA_X, COMA_Y, DEFOCUS, TERMS
from synth.rig import Rig
from synth.rng import log_uniform


def draw_optics(rng: np.random.Generator, rig: Rig) -> dict[str, Any]:
    """Fields of a `Scene`: waves on the axis and over the field, and the clean halo.

    `good_waves` are those of the perfect rig; faults are measured against it.
    """
    telescope = rig.telescope
    good = tuple(float(x) for x in rng.normal(0, 0.02, len(TERMS)))
    wave_um = rig.wavelength_nm / 1000
    fwhm_um = rig.good_fwhm_px * rig.camera.pixel_um * rig.camera.binning
    # Blur diameter 8 N W020 with W020 = 2 sqrt 3 a; coma length 6 W131 N with W131 = 3 sqrt 8 a.
    defocus_of_width = fwhm_um / (8 * telescope.focal_ratio * 2 * 3**0.5 * wave_um)
    coma_of_width = fwhm_um / (6 * telescope.focal_ratio * 3 * 8**0.5 * wave_um)
    # A fast mirror has coma of its own; other systems are left with some more often than not.
    is_fast_mirror = telescope.vanes > 0 and telescope.focal_ratio < 6.5
    has_coma = is_fast_mirror or rng.random() < 0.6
    return {
        "waves": _mildly_off(rng, rig, good, fwhm_um, defocus_of_width),
        "good_waves": good,
        "field_coma_waves": float(rng.uniform(-1.5, 1.5)) * coma_of_width * has_coma,
        "curvature_waves": float(rng.normal(0, 0.5)) * defocus_of_width,
        "astigmatism_waves": float(rng.normal(0, 0.25)) * defocus_of_width * (rng.random() < 0.6),
        "tilt_waves": (
            float(rng.normal(0, 0.15)) * defocus_of_width,
            float(rng.normal(0, 0.15)) * defocus_of_width,
        ),
        **_halo(rng, rig),
    }


def _mildly_off(
    rng: np.random.Generator,
    rig: Rig,
    good: tuple[float, ...],
    fwhm_um: float,
    defocus_of_width: float,
) -> tuple[float, ...]:
    """A little lopsided and a little out of focus, as good stars of real rigs are, up to where it
    would begin to count: the half-flux radius some 10 % over that of the perfect star."""
    telescope = rig.telescope
    mild = 1 + np.minimum(np.abs(rng.normal(0, 0.055, 2)), 0.11)
    wider = np.sqrt(mild**2 - 1)
    turn = rng.uniform(0, 2 * np.pi)
    # The radii that `recipes` takes: pure coma has 8 lambda / D per wave rms, half of an annulus'
    # light lies within half its diameter times sqrt((1 + eps^2) / 2).
    coma = fwhm_um / 2 * wider[0] / (8 * telescope.focal_ratio * rig.wavelength_nm / 1000)
    defocus = defocus_of_width * wider[1] / np.sqrt((1 + telescope.obstruction**2) / 2)
    waves = np.array(good)
    waves[[COMA_X, COMA_Y]] += coma * np.array([np.cos(turn), np.sin(turn)])
    waves[DEFOCUS] += defocus * float(rng.choice([-1, 1]))
    return tuple(float(wave) for wave in waves)


def _halo(rng: np.random.Generator, rig: Rig) -> dict[str, float]:
    """Real stars hold more light at one to three widths than air and pupil alone give: most rigs
    scatter a little close in, short lenses veil more, the others further out."""
    fwhm_px = rig.good_fwhm_px
    is_short_lens = rig.telescope.obstruction == 0 and rig.telescope.focal_mm < 400
    kind = rng.random()
    if kind < 0.15:
        share, width_px = float(rng.uniform(0, 0.04)), log_uniform(rng, 4, 20)
    elif kind < 0.6:
        share, width_px = float(rng.uniform(0, 0.13)), fwhm_px * log_uniform(rng, 0.6, 1.8)
    else:
        most = 0.4 if is_short_lens else 0.3
        share, width_px = float(rng.uniform(0.1, most)), fwhm_px * log_uniform(rng, 0.7, 3.0)
    return {
        "halo_share": share,
        "halo_px": width_px,
        "good_halo_share": share,
        "good_halo_px": width_px,
    }
