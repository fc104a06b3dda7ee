"""Frames that are no star field, as the generator paints them."""

import numpy as np
import pytest
import torch

from synth import not_sky
from synth.rng import stream, torch_stream


def painted(number: int, name: str) -> torch.Tensor:
    torch.manual_seed(number)
    sky = 500 + 12 * torch.randn(160, 200)
    sky[80, 100] = 9000.0
    canvas = not_sky.Canvas(
        sky, 476.0, 12.0, 9000.0, stream(number, name), torch_stream("cpu", number, name)
    )
    painters = {painter.__name__: painter for painter, _ in not_sky.PAINTERS}
    return painters[name](canvas)


@pytest.mark.parametrize("name", [painter.__name__ for painter, _ in not_sky.PAINTERS])
def test_every_painter_gives_finite_frames_that_differ_by_seed(name):
    first, again, other = painted(1, name), painted(1, name), painted(5, name)
    assert first.shape == (160, 200)
    assert first.isfinite().all()
    assert torch.equal(first, again)
    assert not torch.equal(first, other)


def test_a_flat_has_the_noise_of_its_light():
    # Shot noise as `Canvas.lit` states it, on a frame without shading: E5 of the photon-transfer
    # law, variance linear in the signal.
    canvas = not_sky.Canvas(
        torch.zeros(400, 500), 100.0, 5.0, 60_000.0, stream(1, "x"), torch_stream("cpu", 1, "x")
    )
    spread = [float(canvas.lit(torch.full((400, 500), 0.5), peak).var()) for peak in (0.1, 0.4)]
    signal = [0.5 * peak * 59_900 for peak in (0.1, 0.4)]
    slope = (spread[1] - spread[0]) / (signal[1] - signal[0])
    # 200,000 pixels: the variance is known to 0.3 %.
    assert slope == pytest.approx(25 / 100, rel=0.02)


def test_a_batch_is_painted_frame_by_frame():
    sky = 500 + 12 * torch.randn(24, 160, 200, generator=torch.Generator().manual_seed(1))
    out = not_sky.paint_not_sky(sky, stream(2, "p"), torch_stream("cpu", 2, "p"))
    assert out.shape == sky.shape
    assert out.isfinite().all()
    changed = (out != sky).flatten(1).float().mean(1)
    assert changed.min() > 0.05, "each frame must have become something else"
    assert len({round(float(frame.std()), 3) for frame in out}) == 24
    assert np.isfinite(out.numpy()).all()
