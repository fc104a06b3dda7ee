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

    The first terms of Cornish & Fisher 1937 (from memory): light + a z + b (z^2 - 1) of a normal
    number z has the variance a^2 + 2 b^2 and the third moment 6 a^2 b + 8 b^3; b is 1/6 for a
    skewness of 1 / sqrt(light), less where there is hardly light. Read noise hides that counts are
    whole; a Poisson generator takes ten times as long.
    """
    normal = torch.randn(light.shape, generator=generator, device=light.device, dtype=light.dtype)
    some = light.clamp_min(0.0)
    bend = (0.4 * some.sqrt()).clamp_max(1 / 6)
    spread = (some - 2 * bend * bend).sqrt()
    return some + spread * normal + bend * (normal * normal - 1)
