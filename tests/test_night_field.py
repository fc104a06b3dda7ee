"""The common field of a run, from stars whose widths follow a closed form."""

import numpy as np
import pytest
from written_run import SIZE, run_of

from classifier.night_causes import likelihoods, signs_of
from classifier.night_field import field_of


def field_run(square, noise=0.02, stars=60, seed=4):
    """A run whose stars have squared widths 16 px^2 times square(u, v); u, v are 1 in the corners'
    distance, along x and y."""
    rng = np.random.default_rng(seed)
    line = run_of()
    half = np.hypot(*SIZE) / 2
    for sub in line.subs:
        x, y = rng.uniform(0, (SIZE[1] - 1, SIZE[0] - 1), (stars, 2)).T
        u, v = (x - (SIZE[1] - 1) / 2) / half, (y - (SIZE[0] - 1) / 2) / half
        fwhm = 4 * np.sqrt(square(u, v)) * np.exp(noise * rng.normal(size=stars))
        nothing = 0.01 * rng.normal(size=(2, stars))
        sub.measures.shapes = np.c_[x, y, np.full(stars, 1e4), fwhm, *nothing].astype(np.float32)
    return line


@pytest.mark.parametrize("focus", [0.0, 0.3, -0.6])
def test_a_sensor_tilted_about_any_line_of_the_field(focus):
    # The blur of a tilted sensor grows in square with the distance from its line of focus (thin
    # lens): c (u - u0)^2 = c u^2 - 2 c u0 u + c u0^2, and u^2 = (u^2 + v^2) / 2 + (u^2 - v^2) / 2.
    c = 1.2
    line = field_run(lambda u, v: 1 + c * (u - focus) ** 2)
    found = field_of(line)
    usual = np.median([np.median(sub.measures.shapes[:, 3] ** 2) for sub in line.subs]) / 16
    assert found["across"] == pytest.approx(np.hypot(c / 2, 2 * c * focus) / usual, rel=0.25)
    assert found["across_sigma"] > 7
    likely = likelihoods(signs_of(line))
    assert max(likely, key=likely.get) == "tilt" and likely["tilt"] > 0.5


def test_growth_to_all_corners_is_no_tilt():
    line = field_run(lambda u, v: 1 + 1.2 * (u**2 + v**2))
    assert field_of(line)["across"] < 0.1
    assert likelihoods(signs_of(line))["tilt"] < 0.15


def test_noise_alone_is_no_tilt():
    line = field_run(lambda u, v: np.ones_like(u), noise=0.1)
    assert field_of(line)["across_sigma"] < 4
    assert likelihoods(signs_of(line))["tilt"] < 0.15
