"""Tiles summed from rows of stamps, as a GPU does it, hold what single pixels added up give."""

import numpy as np
import pytest
import torch

from synth.sheet_plan import plan_sheets
from synth.stamp_rows import laid_in_rows
from synth.star_scenes import draw_star_scenes
from synth.star_sheets import SheetRenderer
from synth.star_tiles import TILES

SIDE, PITCH = 16, 88


def listed(stamps, pitch):
    flat = torch.zeros((stamps.shape[0] * 64 + 1) * pitch)
    flat[pitch:].view(-1, pitch)[:, : stamps.shape[-1]] = stamps.flatten(0, -2)
    return flat


def pixel_by_pixel(stamps, which, origin, left, top, flux, planes):
    tiles = np.zeros((*flux.shape[:2], SIDE, SIDE))
    for b, n, k in np.ndindex(flux.shape):
        for y, x in np.ndindex(SIDE, SIDE):
            row, column = origin[b, n, 1] + y - top[b, n, k], origin[b, n, 0] + x - left[b, n, k]
            if 0 <= row < 64 and 0 <= column < 64:
                share = 1.0 if planes is None else planes[b, n, k, 2 * (y % 2) + x % 2]
                light = stamps[which[b, n, k], row, column]
                tiles[b, n, y, x] += flux[b, n, k] * share * light
    return tiles


@pytest.mark.parametrize("colour", [False, True])
def test_rows_of_stamps_add_up(colour):
    rng = np.random.default_rng(1)
    stamps = np.zeros((5, 64, 64), np.float32)
    stamps[:, 1:-1, 1:-1] = rng.random((5, 62, 62))
    shape = (2, 3, 4)
    which = rng.integers(0, 5, shape)
    which[0, 0] = 0, 4, 4, 0  # the first and the last of the list
    origin = 8 * rng.integers(0, 20, (2, 3, 2))
    # From wholly beyond a tile on one side to wholly beyond it on the other.
    left, top = (origin[:, :, None, i] + rng.integers(-90, 40, shape) for i in (0, 1))
    left[0, 0] = origin[0, 0, 0] + np.array([-200, 300, -200, 300])
    top[0, 0] = origin[0, 0, 1] + np.array([300, 300, -200, -200])
    flux = rng.random(shape).astype(np.float32)
    planes = rng.random((*shape, 4)).astype(np.float32) if colour else None
    expected = pixel_by_pixel(stamps, which, origin, left, top, flux, planes)
    there = [torch.from_numpy(v) for v in (which * 64 * PITCH, left, top, flux)]
    found = laid_in_rows(
        listed(torch.from_numpy(stamps), PITCH),
        PITCH,
        torch.from_numpy(origin),
        SIDE,
        tuple(there),
        None if planes is None else torch.from_numpy(planes),
    )
    assert expected[0, 0].max() == 0 and expected.max() > 0.5
    np.testing.assert_allclose(found, expected, atol=1e-6)


@pytest.mark.parametrize("cfa", [False, True])
def test_stars_are_chosen_and_placed_the_same_both_ways(cfa):
    (scene,) = draw_star_scenes(5, 0, 1, 300, 200, cfa)
    ((side, frames),) = SheetRenderer(plan_sheets([scene]))._groups
    places = 300 * torch.rand(1, TILES, 2, generator=torch.Generator().manual_seed(1))
    origin = 8 * ((places - side / 2) / 8).round().long()
    by_pixels = frames._light(origin, side, 9)
    pitch = 64 + side
    frames.shapes.stamps, frames.shapes.pitch = listed(frames.shapes.pictures(), pitch), pitch
    by_rows = frames._light(origin, side, 9)
    assert by_pixels.amax() > 100
    torch.testing.assert_close(by_rows, by_pixels, rtol=1e-6, atol=1e-6 * float(by_pixels.amax()))
