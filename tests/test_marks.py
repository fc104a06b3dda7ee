"""Blobs and spikes as numbers, on pictures whose answer is drawn in them."""

import math

import pytest
import torch

from classifier.marks import BLOB_SIZES, DIRECTIONS, blob_facts, spike_facts


def noise(*shape: int) -> torch.Tensor:
    return torch.randn(*shape, generator=torch.Generator().manual_seed(5))


def disc(sign: float, radius: float) -> torch.Tensor:
    y, x = torch.meshgrid(torch.arange(128.0), torch.arange(128.0), indexing="ij")
    inside = ((x - 70) ** 2 + (y - 50) ** 2 < radius**2).float()
    return noise(1, 128, 128) + sign * 4 * inside


@pytest.mark.parametrize(("sign", "raised", "same"), [(-1.0, 0, 1), (1.0, 1, 0)])
def test_a_disc_raises_the_number_of_its_own_sign(sign, raised, same):
    size = BLOB_SIZES.index(8)
    plain = blob_facts(noise(1, 128, 128))[0]
    marked = blob_facts(disc(sign, 5.0))[0]
    # Of the four sizes the one nearest the disc's 10 px answers most.
    gain = (marked - plain)[raised::2]
    assert gain.argmax() == size
    # Four sigma over 8 x 8 px is 32 sigma of their mean, some log(33) = 3.5; empty sky stays
    # near log(1 + 3 to 4) = 1.5.
    assert marked[2 * size + raised] > plain[2 * size + raised] + 1.0
    assert abs(marked[2 * size + same] - plain[2 * size + same]) < 0.6


def star_with_rays(angles_deg: list[float], side: int = 96) -> torch.Tensor:
    axis = torch.arange(side).float() - side // 2
    y, x = torch.meshgrid(axis, axis, indexing="ij")
    picture = noise(side, side) + 500 * torch.exp(-(x**2 + y**2) / 8)
    for angle in angles_deg:
        across = -x * math.sin(math.radians(angle)) + y * math.cos(math.radians(angle))
        picture = picture + 6 * torch.exp(-(across**2) / 2)
    return picture[None, None]


def test_a_bar_is_the_strongest_direction():
    width = torch.tensor([3.0])
    plain, ray = (
        spike_facts(star_with_rays([]), width)[0],
        spike_facts(star_with_rays([35.0]), width)[0],
    )
    assert ray[0] > plain[0] + 1.0
    assert ray[0] > ray[4 : DIRECTIONS // 2 + 1].max() + 1.0


def test_four_vanes_repeat_at_a_right_angle_and_a_mirror_changes_nothing():
    width = torch.tensor([3.0])
    picture = star_with_rays([20.0, 110.0])
    facts = spike_facts(picture, width)[0]
    right_angle = DIRECTIONS // 2
    assert facts[right_angle] > facts[right_angle // 2] + 1.0
    # About pixel side // 2, where the star is.
    mirrored = torch.roll(picture.flip(3), 1, 3)
    other = spike_facts(mirrored, width)[0]
    # Every direction has its mirror image among the directions: float rounding alone is left.
    assert torch.allclose(facts, other, atol=0.002)
