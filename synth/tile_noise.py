"""Noise where the usual way takes too long: shot noise of star tiles and on GPUs, empty sky."""

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
    return counted(light, normal)


def counted(light: Tensor, normal: Tensor) -> Tensor:
    """`shot_noise` from given normal numbers."""
    some = light.clamp_min(0.0)
    bend = (0.4 * some.sqrt()).clamp_max(1 / 6)
    spread = (some - 2 * bend * bend).sqrt()
    return some + spread * normal + bend * (normal * normal - 1)


def as_adu(electrons: Tensor, light: Tensor, normal: Tensor, numbers: dict[str, Tensor]) -> Tensor:
    """Electrons in the wells, of expected ones `light`, (b, n, side, side) -> ADU.

    The pixels' response and the read noise are normal, and one draw serves both. numbers: facts by
    name, each (b,).
    """

    def wide(name: str) -> Tensor:
        return numbers[name][:, None, None, None]

    electrons = torch.minimum(electrons, wide("full_well_e"))
    sigma = torch.hypot(wide("read_noise_e"), wide("prnu") * light)
    electrons = electrons + sigma * normal
    adu = (electrons / wide("gain_e_adu") + wide("offset_adu")).round()
    return torch.minimum(adu.clamp_min(0), wide("top_adu"))


def read(light: Tensor, one: Tensor, other: Tensor, numbers: dict[str, Tensor]) -> None:
    """`as_adu` of `counted` electrons of expected ones `light`, written in their place."""
    light.copy_(as_adu(counted(light, one), light, other, numbers))
