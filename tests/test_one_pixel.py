"""One hot or dead pixel gives or takes no label; and the search for the worst one finds it."""

import numpy as np
import pytest
from benchmark_module import load_benchmark

from classifier.vocabulary import KEYS
from classifier.weights import load_model
from synth.rng import stream


@pytest.fixture(scope="module")
def one_pixel():
    return load_benchmark("one_pixel")


def test_one_pixel_gives_and_takes_no_label(one_pixel):
    model, rng = load_model(None), stream(5, "one pixel")
    for pixels, physical in list(one_pixel.frames(5, 8))[::2]:
        worst = one_pixel.turned(model, pixels, physical, 12, rng)
        assert worst.labels == () and worst.change < 0.3, worst


def test_a_network_that_one_pixel_turns_is_found_out(one_pixel, monkeypatch):
    """One that calls the share of burnt out light a trail, as a plain maximum would."""
    model = load_model(None)
    ((pixels, physical), *_) = one_pixel.frames(6, 8)
    pixels = pixels.clamp_max(0.5 * float(pixels.max()))
    top = float(pixels.max())

    def fooled(model, pixels, physical):
        told = np.full((len(pixels), len(KEYS)), 0.01)
        told[:, KEYS.index("trail")] = np.where(pixels.amax((1, 2)).numpy() > top, 0.99, 0.01)
        return told

    monkeypatch.setattr(one_pixel, "confidences", fooled)
    worst = one_pixel.turned(model, pixels, physical, 12, stream(6, "one pixel"))
    assert worst.fault == "trail" and worst.labels == ("trail",)
    assert worst.change == pytest.approx(0.98)
