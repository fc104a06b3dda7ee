"""The lit part of a frame: against strips as they were painted, and numpy's own mirror."""

from dataclasses import replace

import numpy as np
import pytest
import torch

from classifier.lit_part import filled, lit_part
from classifier.sheet import SHAPE_FACTS
from classifier.views import PHYSICAL, make_views
from synth.edges import Edges
from synth.generate import draw_scenes, render_scenes

WIDTH_PX, HEIGHT_PX = 480, 320


def sky(seed: int = 1, mosaic: bool = False, bad_columns: int = 0) -> np.ndarray:
    """A vignetted, tilted sky of 1,000 ADU with noise, two hundred stars and perhaps more."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[0:HEIGHT_PX, 0:WIDTH_PX].astype(float)
    away = (x / WIDTH_PX - 0.5) ** 2 + (y / HEIGHT_PX - 0.5) ** 2
    picture = 1000 * (1 - 0.9 * away) * (1 + 0.3 * x / WIDTH_PX)
    for _ in range(200):
        cx, cy, flux = rng.uniform(0, WIDTH_PX), rng.uniform(0, HEIGHT_PX), rng.exponential(900)
        picture += flux * np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / (2 * 1.6**2))
    if mosaic:
        picture *= np.tile([[0.6, 1.0], [1.0, 0.5]], (HEIGHT_PX // 2, WIDTH_PX // 2))
    picture[:, rng.integers(60, WIDTH_PX - 60, bad_columns)] += 800
    return picture + rng.normal(0, 12, picture.shape)


def with_strips(picture: np.ndarray, left: int, right: int, top: int, bottom: int) -> torch.Tensor:
    """100 ADU and its noise where no light falls."""
    picture, rng = picture.copy(), np.random.default_rng(9)
    dark = np.ones(picture.shape, bool)
    dark[top : HEIGHT_PX - bottom, left : WIDTH_PX - right] = False
    picture[dark] = 100 + rng.normal(0, 6, dark.sum())
    return torch.from_numpy(picture).float()[None]


def up(number: int) -> int:
    return number + number % 2


@pytest.mark.parametrize("mosaic", [False, True])
@pytest.mark.parametrize("bad_columns", [0, 3])
@pytest.mark.parametrize("strips", [(0, 0, 0, 0), (8, 0, 0, 0), (3, 24, 0, 10), (30, 12, 20, 6)])
def test_strips_are_found_as_they_were_painted(strips, bad_columns, mosaic):
    left, right, top, bottom = strips
    frame = with_strips(sky(2, mosaic, bad_columns), *strips)
    # To the next even pixel inside: pairs of pixels are looked at.
    true = [up(left), up(top), WIDTH_PX - up(right), HEIGHT_PX - up(bottom)]
    assert lit_part(frame)[0].tolist() == true
    half = torch.nn.functional.avg_pool2d(frame[:, None], 2)[:, 0]
    assert lit_part(frame, half)[0].tolist() == true


@pytest.mark.parametrize("seed", range(6))
def test_skies_without_strips_are_lit_throughout(seed):
    for picture in (sky(seed, bad_columns=seed), sky(seed, mosaic=True)):
        whole = torch.from_numpy(picture).float()[None]
        assert lit_part(whole)[0].tolist() == [0, 0, WIDTH_PX, HEIGHT_PX]
        assert filled(whole, lit_part(whole)) is whole


def test_a_sky_that_darkens_towards_a_horizon_ends_in_no_strip():
    """From 1,000 to 100 ADU over the last 24 rows, steeper than anything else in the frame."""
    picture = sky(5)
    fall = np.ones(HEIGHT_PX)
    fall[-24:] = np.linspace(1.0, 0.1, 24)
    frame = torch.from_numpy(picture * fall[:, None]).float()[None]
    assert lit_part(frame)[0].tolist() == [0, 0, WIDTH_PX, HEIGHT_PX]


def test_strips_are_filled_as_numpy_pads_by_reflection():
    """numpy.pad, mode "reflect": about the last pixel, which is not doubled."""
    frames = torch.cat([with_strips(sky(3), 12, 20, 6, 8), with_strips(sky(4), 0, 0, 0, 0)])
    kept = frames.clone()
    done = filled(frames, torch.tensor([[12, 6, 460, 312], [0, 0, WIDTH_PX, HEIGHT_PX]]))
    inside = frames[0, 6:312, 12:460].numpy()
    assert (done[0].numpy() == np.pad(inside, ((6, 8), (12, 20)), mode="reflect")).all()
    assert done[1].equal(frames[1]) and frames.equal(kept)


def test_a_frame_with_strips_is_seen_as_its_lit_part():
    """Against what is seen of the same light without them: corners of the light were stars."""
    scenes = [replace(s, edges=None) for s in draw_scenes(9, 0, 8, 640, 512, faults=(), cfa=False)]
    border = Edges(left_px=20, right_px=32, top_px=12, bottom_px=28)
    seen = []
    for edges in (None, border):
        batch = render_scenes([replace(s, edges=edges) for s in scenes], 9, 0)
        physical = torch.stack([batch.physical[name] for name in PHYSICAL], 1)
        seen.append(make_views(batch.pixels, physical))
    plain, strips = seen
    stars = strips.sheet_facts[..., 4] > 0.5
    assert stars.sum() > 100
    x, y = strips.stars_px[..., 0][stars], strips.stars_px[..., 1][stars]
    assert x.min() >= 20 and x.max() < 608 and y.min() >= 12 and y.max() < 484
    # The stars' common width, and a sky without a black rim.
    width = SHAPE_FACTS.index("log_fwhm_px")
    assert (strips.facts[:, width] - plain.facts[:, width]).abs().max() < 0.06
    assert (strips.sky[:, 1] - plain.sky[:, 1]).abs().mean() < 0.1
