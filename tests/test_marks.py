"""Blobs and spikes as numbers, on pictures whose answer is drawn in them."""

import math

import pytest
import torch

from classifier.marks import (
    BLOB_SIZES,
    DIRECTIONS,
    RING_RADII,
    _odd,
    _pooled,
    _third,
    blob_facts,
    ring_facts,
    spike_facts,
)
from classifier.surface import read_surface
from classifier.views import _glaring, opened


def noise(*shape: int) -> torch.Tensor:
    return torch.randn(*shape, generator=torch.Generator().manual_seed(5))


def disc(sign: float, radius: float) -> torch.Tensor:
    y, x = torch.meshgrid(torch.arange(128.0), torch.arange(128.0), indexing="ij")
    inside = ((x - 70) ** 2 + (y - 50) ** 2 < radius**2).float()
    return noise(1, 128, 128) + sign * 4 * inside


def test_pools_and_third_lowest_are_torchs():
    picture = noise(1, 8, 40, 50)
    pooled = torch.nn.functional.avg_pool2d(picture, 6, 2)
    torch.testing.assert_close(_pooled(picture, 6, 2), pooled)
    assert torch.equal(_third(picture), picture.kthvalue(3, 1).values)


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


def rays(*angles_deg: float) -> torch.Tensor:
    """(1, DIRECTIONS) spikes of S/N 20 at these angles, nothing between."""
    found = torch.zeros(1, DIRECTIONS)
    for angle in angles_deg:
        found[0, round(angle / 180 * DIRECTIONS) % DIRECTIONS] = 20.0
    return found


@pytest.mark.parametrize("turn", [0, 35, 110])
def test_what_a_regular_spider_makes_is_not_odd(turn):
    # Four vanes make spikes at right angles, three make six, 60 degrees apart (checks A5, A6).
    four, three = _odd(rays(turn, turn + 90))[0], _odd(rays(turn, turn + 60, turn + 120))[0]
    assert four[0] <= 0
    assert three[1] <= 0
    # A cable over either is.
    assert _odd(rays(turn, turn + 90, turn + 40))[0].min() == 20
    assert _odd(rays(turn, turn + 60, turn + 120, turn + 85))[0].min() == 20
    # One bar alone makes one pair of spikes, which no spider of three or four vanes does.
    assert _odd(rays(turn))[0].min() == 20


def scene_256() -> tuple[torch.Tensor, torch.Tensor, torch.Tensor]:
    y, x = torch.meshgrid(torch.arange(256.0), torch.arange(256.0), indexing="ij")
    return 0.02 * noise(256, 256), x, y


def test_a_round_edge_is_told_from_a_star_and_a_nebula():
    grain, x, y = scene_256()
    radius = torch.hypot(x - 120, y - 130)
    facts = {
        name: ring_facts((grain + 0.3 * light)[None])[0]
        for name, light in {
            "disc": (radius < 30).float(),
            "ring": ((radius < 30) & (radius > 18)).float(),
            "nebula": torch.exp(-((radius / 60) ** 2)),
            "cone": (1 - radius / 30).clamp_min(0),
        }.items()
    }
    plain = ring_facts(grain[None])[0]
    # 30 px of 256 are 7.5 px of the 64 that are looked at.
    size = RING_RADII.index(7.5)
    assert facts["disc"].argmax() == size
    assert facts["disc"][size] > plain[size] + 1
    assert facts["ring"][size] > plain[size] + 1
    assert (facts["nebula"] < plain + 0.4).all()
    # What falls off from its middle has no step at its rim.
    assert facts["cone"][size] < facts["disc"][size] - 1


def test_opening_takes_stars_and_leaves_what_is_wider():
    grain, x, y = scene_256()
    star = torch.exp(-((x - 60) ** 2 + (y - 60) ** 2) / 8)
    disc_light = (torch.hypot(x - 170, y - 170) < 20).float()
    sky = opened((grain + star + 0.5 * disc_light)[None, None])[0, 0]
    assert sky[60, 60] < 0.05
    assert sky[170, 170] == pytest.approx(0.5, abs=0.06)
    # Never above the smoothed picture: an opening only takes away.
    assert sky.mean() < (grain + star + 0.5 * disc_light).mean() + 0.01


def test_burnt_out_stars_are_found_at_their_middle():
    y, x = torch.meshgrid(torch.arange(200.0), torch.arange(300.0), indexing="ij")
    flat_top = (500 * torch.exp(-((((x - 90.4) ** 2 + (y - 77.2) ** 2) / 200) ** 2))).clamp_max(300)
    other = 200 * torch.exp(-((x - 230) ** 2 + (y - 140) ** 2) / 50)
    half = 1000 + noise(200, 300) + flat_top + other
    frame = half.repeat_interleave(2, 0).repeat_interleave(2, 1)[None]
    surface = read_surface(frame, torch.tensor([False]), torch.tensor([0.0]))
    found = _glaring(surface, 2)[0]
    assert found[0].tolist() == pytest.approx([90.4, 77.2], abs=0.5)
    assert found[1].tolist() == pytest.approx([230, 140], abs=0.5)
