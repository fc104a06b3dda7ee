"""Noise of star tiles where that of whole frames would take too long: empty sky, read-out."""

import torch
from torch import Tensor

from synth.shot_noise import counted

# Sigma of half the sum of a pixel and the mean of the 3 x 3 about it, for white noise of sigma 1:
# (5/9)^2 + 8 / 18^2 = 1/3.
RESPONSE_SIGMA = 3**-0.5


def sky_noise2_e(sky_e: Tensor, numbers: dict[str, Tensor]) -> Tensor:
    """(b, 4) variance of empty sky at the places of the mosaic, electrons squared."""
    light = sky_e + numbers["dark_e"][:, None]
    fixed = (numbers["prnu"][:, None] * light) ** 2 + (numbers["gain_e_adu"][:, None] ** 2) / 12
    return light + numbers["read_noise_e"][:, None] ** 2 + fixed


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
