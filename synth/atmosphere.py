"""Long-exposure seeing: the Kolmogorov or von Karman transfer function.

OTF(f) = exp(-3.442 (lambda f / r0)^(5/3)) and FWHM = 0.9759 lambda / r0 (Fried 1966, JOSA 56,
1372; constants as quoted from Racine 1996, PASP 108, 699). An outer scale narrows the core
(Tokovinin 2002, PASP 114, 1156) by that width factor and leaves brighter wings for the width.
"""

import torch
from torch import Tensor

FWHM_IN_LAMBDA_OVER_R0 = 0.975865
OTF_EXPONENT = 3.44195


def kolmogorov_otf(frequency: Tensor, fwhm: Tensor) -> Tensor:
    """Transfer at `frequency` (cycles per unit) of a Kolmogorov star of `fwhm` (units)."""
    scaled = frequency * fwhm / FWHM_IN_LAMBDA_OVER_R0
    return torch.exp(-OTF_EXPONENT * scaled.abs() ** (5 / 3))


def von_karman_otf(frequency: Tensor, fwhm: Tensor, r0_over_outer: Tensor) -> Tensor:
    """Transfer of a star of `fwhm` seen through air whose turbulence ends at an outer scale.

    r0_over_outer: r0 / L0, 0 for Kolmogorov; at the same width its wings are brighter, by a
    third at 0.002 (r0 4 cm, L0 20 m). The structure function is the series of Lucke & Young 2007,
    Appl. Opt. 46, 559 (from memory), held constant from a quarter of L0 on, where next to
    nothing of the transfer is left.
    """
    narrower = (1 - 2.183 * r0_over_outer**0.356).sqrt()
    over_r0 = frequency.abs() * fwhm / (FWHM_IN_LAMBDA_OVER_R0 * narrower)
    x = (over_r0 * r0_over_outer).clamp(max=0.25)
    series = 1 - 1.485 * x ** (1 / 3) + 5.383 * x * x - 6.281 * x ** (7 / 3)
    return torch.exp(-OTF_EXPONENT * over_r0 ** (5 / 3) * series)


def outer_scale_factor(r0_m: float, outer_scale_m: float) -> float:
    """Width with an outer scale over width without: sqrt(1 - 2.183 (r0 / L0)^0.356)."""
    return (1 - 2.183 * (r0_m / outer_scale_m) ** 0.356) ** 0.5


def airmass_factor(airmass: float) -> float:
    """Width at an airmass over width at the zenith: X^0.6."""
    return airmass**0.6


def halo_otf(frequency: Tensor, width: Tensor, share: Tensor) -> Tensor:
    """A wide exponential halo that takes `share` of the light (dew, haze, dirty optics).

    width: scale length in units of 1 / frequency; the 2-D transform of exp(-r / w) / (2 pi w^2)
    is (1 + (2 pi f w)^2)^(-3/2).
    """
    wide = (1 + (2 * torch.pi * frequency * width) ** 2) ** (-1.5)
    return 1 - share + share * wide
