"""Vignetting and dust against geometry."""

from math import pi

import numpy as np
import pytest
import torch

from synth import shading

WIDTH, HEIGHT = 300, 200
X = torch.arange(WIDTH, dtype=torch.float32)
Y = torch.arange(HEIGHT, dtype=torch.float32)


@pytest.mark.parametrize(("deg", "share"), [(1.5, 0.9986), (5, 0.9849), (10, 0.9406), (20, 0.7797)])
def test_natural_vignetting(deg, share):
    # cos^4 law of illumination (textbook).
    tangent = np.tan(np.deg2rad(deg)) / 100.0
    p = shading.Vignetting(0.0, 0.0, tangent, 5.0, 0.0)
    got = shading.vignetting_map([p], torch.tensor([0.0, 100.0]), torch.tensor([0.0]))
    assert got[0, 0].numpy() == pytest.approx([1.0, share], abs=1e-4)


def test_circle_overlap_against_monte_carlo():
    rng = np.random.default_rng(5)
    points = rng.uniform(-1, 1, (400_000, 2))
    for radius, distance in [(0.5, 0.7), (1.0, 1.0), (2.0, 1.7), (0.3, 0.2), (0.4, 1.5)]:
        inside = (points**2).sum(1) < 1.0
        inside &= ((points - [distance, 0.0]) ** 2).sum(1) < radius**2
        expected = 4.0 * inside.mean()
        sigma = 4.0 * np.sqrt(max(inside.mean(), 1e-5) / len(points))
        one, other, apart = (torch.tensor([v]) for v in (1.0, radius, distance))
        got = float(shading.circle_overlap(one, other, apart))
        assert got == pytest.approx(expected, abs=4 * sigma + 1e-4)


@pytest.mark.parametrize("pct", [1.0, 8.0, 30.0, 60.0, 90.0])
def test_vignetting_reaches_its_strength(pct):
    for seed in range(8):
        p = shading.draw_vignetting(np.random.default_rng(seed), pct, WIDTH, HEIGHT)
        got = shading.vignetting_map([p, None], X, Y)
        corners = got[0][[0, 0, -1, -1], [0, -1, 0, -1]].mean()
        # The brightest sample of a pixel grid may miss the axis by half a pixel: nothing.
        assert 100 * float(1 - corners / got[0].max()) == pytest.approx(pct, abs=0.1)
        assert shading.vignetting_pct(p, WIDTH, HEIGHT) == pytest.approx(pct, abs=0.1)
        assert float(got[0].max()) <= 1.0 + 1e-6
        assert (got[1] == 1.0).all()


def test_vignetting_is_gentle_from_a_far_stop_and_late_from_a_near_one():
    far = shading.Vignetting(0.0, 0.0, 0.0, 1.0, 0.005)
    near = shading.Vignetting(0.0, 0.0, 0.0, 5.0, 0.025)
    row = shading.vignetting_map([far, near], X, torch.tensor([0.0]))[:, 0]
    # With equal circles the loss starts at once, 2 d / pi (geometry, small shift d).
    assert float(1 - row[0, 20]) == pytest.approx(2 * 0.1 / pi, rel=0.01)
    assert float(row[1, 150]) == pytest.approx(1.0, abs=1e-4)
    assert float(row[1, 200]) < 0.7


def test_dust_shadow_size():
    # Geometry: diameter = distance / N. 700 px of 3.76 um at f/8: 21.06 mm before the sensor;
    # 1 mm at f/5 casts 200 um, 53.2 px of 3.76 um.
    assert shading.dust_distance_mm(700, 3.76, 8.0) == pytest.approx(21.06, rel=5e-4)
    assert shading.dust_distance_mm(53.2, 3.76, 5.0) == pytest.approx(1.0, rel=1e-3)


@pytest.mark.parametrize(("shadow_um", "depth"), [(200.0, 0.25), (2632.0, 1.44e-3)])
def test_dust_depth(shadow_um, depth):
    # An opaque mote takes its area of the shadow's area: 100 um in 200 um 25 %, in 2632 um 0.144 %.
    mote = shading.Mote(0.0, 0.0, shadow_um / 2 / 3.76, 0.0, 0.0, 0.0, 50.0 / 3.76, 1.0)
    assert shading.mote_depth(mote) == pytest.approx(depth, rel=5e-3)


def test_mote_takes_its_own_area_of_light():
    # The light missing from a whole shadow equals the mote's area: pi r^2, whatever the pupil.
    for hole in (0.0, 12.0):
        mote = shading.Mote(150.0, 100.0, 40.0, hole, 0.0, 0.0, 6.0, 1.0)
        got = shading.dust_map([shading.DustMotes((mote,))], X, Y)[0]
        missing = float((1.0 - got).double().sum())
        # Pixel sums of a smooth shape: within 1 %.
        assert missing == pytest.approx(pi * 6.0**2, rel=0.01)
        # The bottom of the shadow is flat and as deep as the ratio of areas.
        depth = 6.0**2 / (40.0**2 - hole**2)
        assert float(1 - got[100, 150 + 26]) == pytest.approx(depth, rel=1e-3)
        assert shading.mote_depth(mote) == pytest.approx(depth, rel=1e-3)
    assert float(got[100, 150]) == pytest.approx(1.0, abs=1e-6)  # light comes through the hole


@pytest.mark.parametrize("pct", [0.5, 3.0, 20.0, 60.0])
@pytest.mark.parametrize("hole", [0.0, 0.4])
def test_dust_reaches_its_strength(pct, hole):
    for seed in range(6):
        rng = np.random.default_rng(seed)
        p = shading.draw_dust(rng, pct, WIDTH, HEIGHT, hole, count=1)
        got = shading.dust_map([p, None], X, Y)
        assert 100 * shading.mote_depth(p.motes[0]) == pytest.approx(pct, rel=0.01)
        # On whole pixels the deepest point of a small shadow can be missed by a little.
        assert 100 * float(1 - got[0].min()) == pytest.approx(pct, rel=0.05)
        assert (got[1] == 1.0).all()
        diameter = 2 * p.motes[0].outer_px
        assert 12.0 <= diameter <= 0.25 * WIDTH


def test_dust_count_and_places():
    sizes = [
        len(shading.draw_dust(np.random.default_rng(s), 5.0, 3000, 2000, 0.3).motes)
        for s in range(200)
    ]
    assert min(sizes) == 1
    assert 6 <= max(sizes) <= 30


def test_map_does_not_depend_on_sampling():
    # The same places asked for on a coarse and a fine grid give the same numbers.
    rng = np.random.default_rng(3)
    vignetting = shading.draw_vignetting(rng, 30.0, WIDTH, HEIGHT)
    dust = shading.draw_dust(rng, 20.0, WIDTH, HEIGHT, 0.3, count=6)
    for function, p in ((shading.vignetting_map, vignetting), (shading.dust_map, dust)):
        fine = function([p], X, Y)[0, 1::4, 2::4]
        coarse = function([p], X[2::4], Y[1::4])[0]
        # Outside the box of a mote its overlap is 0 but for float32 rounding.
        assert torch.allclose(fine, coarse, atol=2e-5)
