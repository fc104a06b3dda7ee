"""The network's picture of the sky against plain poolings, and hot pixels against their number."""

import math
import statistics

import numpy as np
import pytest
import torch
import torch.nn.functional as F
from painted_sky import gaussian, starfield
from scipy import ndimage

from classifier.surface import SURFACE_FACTS, hot_fraction, mesh_weights, read_surface
from classifier.sweeps import (
    asinh,
    bands,
    block_ranks,
    halved,
    median,
    median_3x3,
    middle,
    ranked,
    sample,
    spots,
    spots_over,
)

CPU = torch.device("cpu")


def surface_of(pixels, offset=math.nan):
    count = len(pixels)
    return read_surface(pixels, torch.zeros(count, dtype=torch.bool), torch.full((count,), offset))


@pytest.mark.parametrize("shape", [(2, 200, 340), (1, 201, 341), (1, 64, 65), (3, 74, 64)])
def test_halving_is_average_pooling(shape):
    picture = torch.randn(shape) * 30 + 1000
    # Sums of four float32 of some 1000: a few units in the last place, 6e-5 each.
    assert torch.allclose(halved(picture), F.avg_pool2d(picture[:, None], 2)[:, 0], atol=3e-4)


@pytest.mark.parametrize(("rows", "step"), [(500, 6), (36, 1), (37, 1), (5, 6), (1044, 5)])
def test_bands_cover_all_rows_once(rows, step):
    parts = bands(rows, CPU, step)
    assert [row for top, end in parts for row in range(top, end)] == list(range(rows))
    assert all((end - top) % step == 0 for top, end in parts[:-1])


def test_weights_spread_a_mesh_as_bilinear_interpolation_does():
    mesh = torch.randn(16, 16)
    spread = mesh_weights(80, CPU) @ mesh @ mesh_weights(144, CPU).T
    outside = F.interpolate(mesh[None, None], (80, 144), mode="bilinear", align_corners=False)
    assert torch.allclose(spread, outside[0, 0], atol=1e-5)


@pytest.mark.parametrize("shape", [(2600, 1600), (200, 300)])
def test_pooled_pictures_are_plain_poolings(shape):
    rng = np.random.default_rng(2)
    picture = 800 + 50 * np.linspace(0, 1, shape[1])[None] + rng.normal(0, 8, shape)
    picture[rng.random(shape) < 1e-3] += 500
    pixels = torch.from_numpy(picture.astype(np.float32))[None]
    surface = surface_of(pixels)
    step = surface.step
    assert step == max(1, math.ceil(max(shape) / 2 / 532))
    half = F.avg_pool2d(pixels[:, None], 2)[:, 0]
    assert torch.allclose(surface.mean, F.avg_pool2d(half, step), atol=2e-3)
    # The coarse sky is taken as its mean over a pool: it varies by 50 ADU over 800 px.
    slack = 50 / shape[1] * 2 * step
    assert torch.allclose(surface.peak, F.max_pool2d(half, step), atol=slack + 2e-3)
    sky = half - surface.excess
    limited = torch.minimum(half, sky + 3 * surface.half_noise[:, None, None])
    assert torch.allclose(surface.calm, F.avg_pool2d(limited, step), atol=2e-3)
    # Half-size pixels average four of noise 8: sigma 4, measured from some 100,000 of them or,
    # in the small picture, 3,000 (1.5 %).
    assert float(surface.half_noise) == pytest.approx(4.0, rel=0.06)
    assert float(surface.noise_adu) == pytest.approx(8.0, rel=0.03)
    assert abs(float(surface.excess.median())) < 0.5


def test_sky_is_level_above_offset():
    pixels = torch.from_numpy(starfield())[None]
    assert float(surface_of(pixels).sky_adu) == pytest.approx(500, abs=2)
    assert float(surface_of(pixels, 450.0).sky_adu) == pytest.approx(50, abs=2)


def test_shades_of_a_sky_that_was_taken_off_keep_their_depth():
    """Light of 400 electrons, darker by 40 % in the corners; then the same without its median."""
    y, x = np.mgrid[:256, :256] / 127.5 - 1
    light = 400 * (1 - 0.2 * (x**2 + y**2))
    raw = np.random.default_rng(4).poisson(light).astype(np.float32)
    taken_off = raw - np.median(raw)
    unknown = torch.tensor([torch.nan])
    mono = torch.tensor([False])
    column = SURFACE_FACTS.index("corner_falloff")
    whole, rest = (
        read_surface(torch.from_numpy(pixels)[None], mono, unknown).facts[0, column]
        for pixels in (raw, taken_off)
    )
    assert float(whole) == pytest.approx(float(rest), rel=0.15) and float(whole) > 0.1
    # Of a known offset, hardly any sky is hardly any sky.
    dark = read_surface(torch.from_numpy(taken_off)[None], mono, torch.tensor([0.0]))
    assert float(dark.sky_adu) == float(dark.noise_adu)


@pytest.mark.parametrize("share", [1e-4, 5e-3])
@pytest.mark.parametrize("height", [400, 1700])  # whole, and in bands
def test_hot_fraction_is_the_planted_share(share, height):
    rng = np.random.default_rng(6)
    picture = rng.normal(500, 5, (height, 1300)).astype(np.float32)
    hot = rng.random(picture.shape) < share
    picture[hot] += rng.uniform(100, 5000, hot.sum()).astype(np.float32)
    found = float(hot_fraction(torch.from_numpy(picture)[None], torch.tensor([5.0])))
    # Poisson scatter of those seen, and losses: the rim of two pixels (1.3 % of 400 rows, more of
    # a band of 192), and hot pixels beside others (24 neighbours, each hot with this share).
    seen = min(picture.size, 2_000_000) * share
    lost = 0.04 + 24 * share
    assert share * (1 - lost - 4 / seen**0.5) < found < share * (1 + 4 / seen**0.5)


def test_sharp_stars_are_not_hot():
    """FWHM 1.5 px: the sharpest that a telescope is likely to give."""
    picture = starfield(stamp=gaussian(1.5), noise=5.0)
    # Some 130 stars would be 4e-4 of the pixels.
    assert float(hot_fraction(torch.from_numpy(picture)[None], torch.tensor([5.0]))) < 1e-5


def test_spots_are_where_the_mask_is_true():
    mask = torch.rand(3, 20, 31) < 0.1
    frame, place = spots(mask)
    expected = mask.flatten(1).nonzero()
    assert torch.equal(torch.stack((frame, place), 1), expected)


def test_spots_over_limits_are_where_the_mask_is_true():
    picture, limit = torch.randn(3, 20, 31), torch.tensor([1.0, 2.0, 0.5])
    found = torch.stack(spots_over(picture, limit), 1)
    assert torch.equal(found, (picture > limit[:, None, None]).flatten(1).nonzero())


def test_asinh_is_torchs():
    values = torch.cat((torch.logspace(-8, 8, 4000), -torch.logspace(-8, 8, 4000), torch.zeros(1)))
    assert torch.allclose(asinh(values), torch.asinh(values), rtol=1e-6, atol=4e-7)


def test_samples_are_evenly_spread():
    picture = torch.arange(2 * 600 * 500.0).reshape(2, 600, 500)
    taken = sample(picture, 1000)
    assert 900 < taken.shape[1] <= 1100
    assert float(taken[0].mean()) == pytest.approx(150_000, rel=0.01)
    assert sample(picture[:, :10]).shape == (2, 5000)


@pytest.mark.parametrize("block", [1, 2, 3, 4, 5, 8])
def test_ranks_of_blocks_are_those_of_sorted_blocks(block):
    picture = np.random.default_rng(block).integers(0, 40, (40, 120)).astype(np.float32)
    picture = picture[:, : 120 // block * block][: 40 // block * block]
    high, wide = (side // block for side in picture.shape)
    cells = picture.reshape(high, block, wide, block).swapaxes(1, 2).reshape(high, wide, -1)
    cells = np.sort(cells, -1)
    for found, rank in zip(
        block_ranks(picture, block), (0, (block**2 - 1) // 2, block**2 - 1), strict=True
    ):
        np.testing.assert_array_equal(found, cells[..., rank])


@pytest.mark.parametrize("count", [1, 2, 3, 10, 1001, 1002])
def test_median_is_the_standard_librarys(count):
    values = np.random.default_rng(count).integers(0, 50, count).astype(np.float32)
    assert median(values) == statistics.median(values.tolist())


def test_median_of_nine_is_scipys():
    picture = np.random.default_rng(4).integers(0, 30, (57, 83)).astype(np.float32)
    assert np.array_equal(median_3x3(picture), ndimage.median_filter(picture, 3))
    # Zeros and ones in all orders prove a network of exchanges for all values (Knuth's 0-1
    # principle): here as nine pixels round one.
    orders = (np.arange(512)[:, None] >> np.arange(9)) & 1
    middle = [median_3x3(order.reshape(3, 3))[1, 1] for order in orders]
    assert np.array_equal(middle, np.median(orders, axis=1))


@pytest.mark.parametrize("shape", [(1, 1001), (3, 4, 50), (2, 1)])
def test_ranks_are_those_of_torch(shape):
    values = torch.randn(shape)
    assert torch.equal(middle(values), values.median(-1).values)
    rank = max(1, shape[-1] // 3)
    assert torch.equal(ranked(values, rank), values.kthvalue(rank, -1).values)
