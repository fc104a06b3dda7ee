"""Noise of star tiles where that of whole frames would take too long: shot noise, empty sky."""

import torch
from torch import Tensor

# Sigma of half the sum of a pixel and the mean of the 3 x 3 about it, for white noise of sigma 1:
# (5/9)^2 + 8 / 18^2 = 1/3.
RESPONSE_SIGMA = 3**-0.5


def sky_noise2_e(sky_e: Tensor, numbers: dict[str, Tensor]) -> Tensor:
    """(b, 4) variance of empty sky at the places of the mosaic, electrons squared."""
    light = sky_e + numbers["dark_e"][:, None]
    fixed = (numbers["prnu"][:, None] * light) ** 2 + (numbers["gain_e_adu"][:, None] ** 2) / 12
    return light + numbers["read_noise_e"][:, None] ** 2 + fixed


def shot_noise(light: Tensor, generator: torch.Generator) -> Tensor:
    """Expected electrons -> counted ones with Poisson's mean, variance and skewness, not whole.

    The cube of a normal number (Wilson & Hilferty 1931, PNAS 17, 684): mean and variance to 1e-3
    from one electron on. Read noise hides that counts are whole; a Poisson generator takes ten
    times as long.
    """
    normal = torch.randn(light.shape, generator=generator, device=light.device)
    some = light.clamp_min(1.0)
    root = some.rsqrt() / 3  # 1 / (3 sqrt(light))
    cube = some * (1 - root * root + normal * root) ** 3
    # Next to no light, far under any read noise: mean and variance only.
    return torch.where(light < 1.0, light + light.clamp_min(0).sqrt() * normal, cube)
