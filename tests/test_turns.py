"""Turned views are the views of the turned frame."""

import numpy as np
import pytest
import torch

from classifier.context import CONTEXT, run_context
from classifier.sheet import SHAPE_FACTS
from classifier.views import PHYSICAL, Views, make_views, shape_facts
from training.turns import TURNS, turn

HEIGHT_PX, WIDTH_PX = 512, 768


@pytest.fixture(scope="module")
def frame() -> torch.Tensor:
    """A tilted sky with 60 lopsided stars stretched at 30 degrees: nothing in it is symmetric."""
    rng = np.random.default_rng(8)
    y, x = np.mgrid[0:HEIGHT_PX, 0:WIDTH_PX]
    picture = 1000 + 200 * x / WIDTH_PX + 60 * y / HEIGHT_PX + rng.normal(0, 10, x.shape)
    angle = np.deg2rad(30)
    for _ in range(60):
        cx, cy = rng.uniform(30, WIDTH_PX - 30), rng.uniform(30, HEIGHT_PX - 30)
        part = np.s_[int(cy) - 25 : int(cy) + 25, int(cx) - 25 : int(cx) + 25]
        u = (x[part] - cx) * np.cos(angle) + (y[part] - cy) * np.sin(angle)
        v = -(x[part] - cx) * np.sin(angle) + (y[part] - cy) * np.cos(angle)
        flux = rng.uniform(1000, 8000)
        picture[part] += flux * np.exp(-(u**2) / (2 * 4.0**2) - v**2 / (2 * 2.0**2))
        picture[part] += 0.3 * flux * np.exp(-((u - 6) ** 2 + (v - 2) ** 2) / (2 * 2.0**2))
    return torch.from_numpy(picture.astype(np.float32))


def turned_pixels(picture: torch.Tensor, which: int) -> torch.Tensor:
    if which & 1:
        picture = picture.flip(1)
    if which & 2:
        picture = picture.flip(0)
    return picture.T.contiguous() if which & 4 else picture


def views_of(picture: torch.Tensor) -> Views:
    return make_views(picture[None], torch.full((1, len(PHYSICAL)), float("nan")))


@pytest.mark.parametrize("which", range(TURNS))
def test_turning_views_is_turning_the_frame(frame, which):
    context = torch.zeros(1, len(CONTEXT))
    turned, _ = turn(views_of(frame), context, which)
    outside = views_of(turned_pixels(frame, which))
    # Noise is read off rows alone, so a swap of x and y changes levels by its own error (1 %).
    assert (turned.sky - outside.sky).abs().max() < 0.1
    assert (turned.sky - outside.sky).abs().mean() < 0.01
    # Tiles around stars may move by a pixel; the four fixed ones are compared.
    assert (turned.tiles[:, :4] - outside.tiles[:, :4]).abs().mean() < 0.03
    # Stars are cut to the pixel, so that turned ones sit up to one pixel beside; stacks are
    # centred and agree closely.
    for number in range(4):
        assert alike(turned.stack[0, number], outside.stack[0, number]) > 0.97, number
    for name in ("elongation", "stretch_cos", "stretch_sin", "radial_stretch", "log_fwhm_px"):
        column = SHAPE_FACTS.index(name)
        assert (turned.facts - outside.facts)[0, column].abs() < 0.06, name
    for name in ("log_width_px", "log_height_px"):
        column = SHAPE_FACTS.index(name)
        assert turned.facts[0, column] == outside.facts[0, column], name
    # The brightest stars come in the same order; their places are shares of the frame.
    places = (turned.sheet_facts - outside.sheet_facts)[0, :8, :2].abs()
    assert places.max() < 2 * 2 / HEIGHT_PX
    assert alike(turned.bright[0, 0], outside.bright[0, 0]) > 0.9


def alike(first: torch.Tensor, second: torch.Tensor) -> float:
    """Correlation of two pictures."""
    return float(torch.corrcoef(torch.stack((first.flatten(), second.flatten())))[0, 1])


def test_the_frame_tells_its_turns_apart(frame):
    """Without this the test above would pass with turns that do nothing."""
    views, context = views_of(frame), torch.zeros(1, len(CONTEXT))
    for which in range(1, TURNS):
        turned, _ = turn(views, context, which)
        assert (turned.sky - views.sky).abs().mean() > 0.05
        assert (turned.stack - views.stack).abs().mean() > 0.01


@pytest.mark.parametrize("which", range(TURNS))
def test_the_run_turns_with_its_frames(which):
    """Context of turned frames = turned context of the frames, on random shape facts.

    Seven frames: the median of an even number is the lower of two, and negation swaps them.
    """
    generator = torch.Generator().manual_seed(3)
    shapes = torch.randn(7, len(SHAPE_FACTS), generator=generator)
    views = views_of(torch.rand(128, 128, generator=generator) * 10 + 100)[[0] * 7]
    views.facts[:, : len(SHAPE_FACTS)] = shapes
    turned, context = turn(views, run_context(shapes), which)
    torch.testing.assert_close(context, run_context(shape_facts(turned)), atol=1e-5, rtol=0)
