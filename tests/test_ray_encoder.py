"""Spikes by direction: rays against scipy's own interpolation, folds against numpy's transform."""

from dataclasses import replace

import numpy as np
import pytest
import torch
import torch.nn.functional as F
from scipy.ndimage import map_coordinates

from classifier.network import Network, NetworkConfig
from classifier.ray_encoder import RayEncoder, fold_waves, ray_grid

SIDE, INNERMOST_PX, RADII, RAYS, FOLDS = 96, 3.0, 32, 120, 24
ASKED = ("stars", "stack", "bright")
GRID = ray_grid(SIDE, INNERMOST_PX, RADII, RAYS)
WAVES = fold_waves(RAYS, FOLDS)


def _star_with_spikes(angles_deg: list[float], width_px: float = 1.5) -> np.ndarray:
    """(SIDE, SIDE) a star in the middle with spikes both ways along each angle."""
    y, x = np.mgrid[:SIDE, :SIDE] - SIDE // 2
    radius = np.hypot(x, y)
    picture = 100 * np.exp(-((radius / 3) ** 2))
    for angle in np.deg2rad(angles_deg):
        across = -x * np.sin(angle) + y * np.cos(angle)
        picture = picture + 10 * np.exp(-((across / width_px) ** 2)) / (1 + radius / 10)
    return picture.astype(np.float32)


def _folds(angles_deg: list[float]) -> np.ndarray:
    """Strength of each fold of a star's rays, without any layer that learns."""
    picture = torch.from_numpy(_star_with_spikes(angles_deg))[None, None]
    rays = F.grid_sample(picture, GRID[None], align_corners=False)[0, 0].mean(0)
    return (rays @ WAVES).reshape(2, FOLDS).square().sum(0).sqrt().numpy()


def test_rays_are_read_where_scipy_reads_them() -> None:
    picture = np.random.default_rng(1).random((SIDE, SIDE)).astype(np.float32)
    assert GRID.shape == (RADII, RAYS, 2)
    read = F.grid_sample(torch.from_numpy(picture)[None, None], GRID[None], align_corners=False)
    radius = 3 * (0.97 * 48 / 3) ** np.linspace(0, 1, RADII)
    angle = np.arange(RAYS) * 2 * np.pi / RAYS
    y = SIDE // 2 + radius[:, None] * np.sin(angle)
    x = SIDE // 2 + radius[:, None] * np.cos(angle)
    # scipy.ndimage.map_coordinates of order 1: a general-purpose library's bilinear reading.
    assert read[0, 0].numpy() == pytest.approx(map_coordinates(picture, [y, x], order=1), abs=1e-4)


def test_folds_are_those_of_a_fourier_transform() -> None:
    light = np.random.default_rng(2).random(RAYS).astype(np.float32)
    waves = (torch.from_numpy(light) @ WAVES).reshape(2, FOLDS).square().sum(0).sqrt()
    wanted = np.abs(np.fft.rfft(light))[1 : FOLDS + 1] / RAYS
    assert waves.numpy() == pytest.approx(wanted, abs=1e-5)


@pytest.mark.parametrize("turned_deg", [0.0, 11.0, 37.0])
def test_four_vanes_and_a_single_bar_differ_at_any_angle(turned_deg: float) -> None:
    vanes, bar = _folds([turned_deg, 90 + turned_deg]), _folds([turned_deg])
    # A cross comes again after a quarter turn, a line after a half: symmetry alone.
    assert vanes[3] > 10 * vanes[1]
    assert bar[1] > 0.5 * bar[3] > 0


@torch.no_grad()
def test_a_turned_star_is_told_alike() -> None:
    torch.manual_seed(3)
    encoder = RayEncoder(1, SIDE, 16, INNERMOST_PX, RADII, RAYS, FOLDS).eval()
    upright = np.stack([_star_with_spikes([20.0, 65.0]), _star_with_spikes([50.0])])
    turned = np.stack([_star_with_spikes([47.0, 92.0]), _star_with_spikes([77.0])])
    told, told_turned = (
        encoder(torch.from_numpy(np.arcsinh(stars / 2) / 5)[:, None]) for stars in (upright, turned)
    )
    assert told.shape == (2, encoder.out_features)
    # 27 degrees are nine rays: the same but for how pixels lie under the rays.
    assert float((told - told_turned).norm() / told.norm()) < 0.05
    assert float((told[0] - told[1]).norm() / told.norm()) > 0.05


def test_a_network_with_rays_hears_them_of_stars_stack_and_bright_stars() -> None:
    small = NetworkConfig(width=8, features=32, star_features=16)
    plain, network = Network(small), Network(replace(small, rays=True))
    sheet = torch.rand(2, 5, 32, 32), torch.rand(2, 5, 5)
    stack, bright = torch.rand(2, 4, 32, 32), torch.rand(2, 4, SIDE, SIDE)
    for each in (plain, network):
        told = each.stars(*sheet), each.stack(stack), each.bright(bright)
        lengths = [part.shape[1] for part in told]
        assert lengths == [each.branch_features[each.branches.index(n)] for n in ASKED]
    network.zero_grad()
    sum(part.sum() for part in told).backward()
    encoders = [network.stars.rays, network.stack, network.bright.rays]
    assert all(isinstance(encoder, RayEncoder) for encoder in encoders)
    for encoder in encoders:
        assert all(p.grad is not None and p.grad.abs().max() > 0 for p in encoder.parameters())
