"""Ghosts against the geometry of double bounces; strengths reached."""

from math import pi

import numpy as np
import pytest
import torch

from synth import reflections as r
from synth.reflection_draw import REFLECTION_KINDS, draw_reflection

WIDTH, HEIGHT = 300, 200
X = torch.arange(WIDTH, dtype=torch.float32)
Y = torch.arange(HEIGHT, dtype=torch.float32)


def plain(outer: float, hole: float = 0.0, **changes: float) -> r.Ghost:
    values = {
        "x_px": 150.0, "y_px": 100.0, "outer_px": outer, "hole": hole, "hole_dx": 0.0,
        "hole_dy": 0.0, "soft_px": 1.0, "shade": 0.0, "shade_deg": 0.0, "rim": 0.0,
        "rim_width": 0.1, "fade": 0.0, "sector_deg": 0.0, "half_sector_deg": 180.0,
        "rays": 0.0, "brightness": 1.0,
    }  # fmt: skip
    return r.Ghost(**(values | changes))


def light_of(*ghosts: r.Ghost) -> torch.Tensor:
    return r.reflection_map([r.Reflection(ghosts)], X, Y)[0].double()


def test_double_bounce_in_a_window():
    # Extra path 2 t / n over N: t 2 mm, n 1.5, f/5: 533 um, 141.8 px of 3.76 um.
    assert r.window_mm(141.8, 3.76, 5.0, 1.5) == pytest.approx(2.0, rel=1e-3)
    # With two reflections of 1 % each, per pixel over the star's flux: 6.3e-9.
    assert r.reflectance_product(6.3e-9, 141.8) == pytest.approx(1e-4, rel=0.01)
    # A hole of half the diameter leaves three quarters of the area.
    assert r.reflectance_product(1.0, 2.0, 0.5) == pytest.approx(0.75 * pi, rel=1e-9)


def test_halo_between_sensor_and_filter():
    # 17.5 mm at f/4: 8.75 mm, 2327 px of 3.76 um.
    assert r.gap_mm(2327, 3.76, 4.0) == pytest.approx(17.5, rel=1e-3)


def test_mirrored_ghost_lies_opposite_its_star():
    assert r.mirrored(10.0, 30.0, 100.0, 80.0) == (190.0, 130.0)
    assert r.mirrored(10.0, 30.0, 100.0, 80.0, -0.5) == (55.0, 55.0)


@pytest.mark.parametrize("hole", [0.0, 0.4])
def test_area_of_an_annulus(hole):
    # An even disc of radius R holds pi R^2 (1 - eps^2) pixels of light.
    light = light_of(plain(60.0, hole))
    assert float(light.sum()) == pytest.approx(pi * 60.0**2 * (1 - hole**2), rel=0.01)
    assert float(light[100, 150]) == (1.0 if hole == 0 else 0.0)
    assert float(light[100, 150 + 50]) == pytest.approx(1.0, abs=1e-6)


def test_sector_holds_its_share_of_the_disc():
    whole = float(light_of(plain(80.0)).sum())
    # Half width 40 degrees: 80 / 360 of the disc. The penumbra is centred on the edge.
    part = float(light_of(plain(80.0, half_sector_deg=40.0, sector_deg=200.0)).sum())
    assert part / whole == pytest.approx(80 / 360, rel=0.03)
    light = light_of(plain(80.0, half_sector_deg=40.0, sector_deg=90.0))
    assert float(light[150, 150]) == pytest.approx(1.0, abs=1e-6)  # y grows along 90 degrees
    assert float(light[50, 150]) == 0.0


def test_shade_keeps_the_light_and_moves_it_to_one_side():
    light = light_of(plain(60.0, shade=0.5, shade_deg=0.0))
    assert float(light.sum()) == pytest.approx(pi * 60.0**2, rel=0.01)
    # First moment of a disc with 1 + a x / R: a R / 4.
    x_mean = float((light * (X.double() - 150.0)).sum() / light.sum())
    assert x_mean == pytest.approx(0.5 * 60.0 / 4, rel=0.02)


def test_caustic_rim_is_brighter():
    light = light_of(plain(60.0, rim=1.0, rim_width=0.1))
    assert float(light[100, 150 + 58]) > 1.5 * float(light[100, 150])


@pytest.mark.parametrize("kind", REFLECTION_KINDS)
@pytest.mark.parametrize("pct", [1.0, 20.0])
def test_drawn_reflections_reach_their_strength(kind, pct):
    for seed in range(6):
        drawn = draw_reflection(np.random.default_rng(seed), pct, WIDTH, HEIGHT, kind=kind)
        got = r.reflection_map([drawn, None], X, Y)
        assert (got[1] == 0.0).all()
        assert torch.isfinite(got[0]).all()
        assert float(got[0].min()) >= 0.0
        top = float(got[0].max())
        lit = got[0][got[0] > 0.1 * top]
        # Drawn on a grid of some 160 points a side, checked on pixels.
        assert 100 * float(lit.quantile(0.75)) == pytest.approx(pct, rel=0.08)
        assert 100 * r.surface_level(drawn, WIDTH, HEIGHT)[0] == pytest.approx(pct, rel=1e-6)


def test_sources_are_the_bright_stars():
    x, y = np.array([40.0, 250.0, 100.0]), np.array([50.0, 150.0, 100.0])
    flux = np.array([1.0, 1e6, 1.0])
    for seed in range(5):
        rng = np.random.default_rng(seed)
        drawn = draw_reflection(rng, 5.0, WIDTH, HEIGHT, x, y, flux, 0.3, "around")
        ghost = drawn.ghosts[0]
        # Round its own star, off-centre by a quarter of the radius at most.
        away = np.hypot(ghost.x_px - 250.0, ghost.y_px - 150.0)
        assert away <= 0.25 * ghost.outer_px + 1e-6
        assert ghost.hole == 0.3


def test_an_unknown_kind_is_refused():
    with pytest.raises(ValueError, match="reflection kind 'blob'"):
        draw_reflection(np.random.default_rng(0), 5.0, WIDTH, HEIGHT, kind="blob")


def test_vane_shadows_take_their_area():
    # Four vanes from rim to centre, each 0.1 R wide: bars of R x 0.1 R, the innermost 0.1 R x
    # 0.1 R shared: 0.4 R^2 - (4 halves of the crossing) ~ 0.39 R^2 of pi R^2. Soft edges of 1 px
    # in 60 and the crossing's shape leave 5 % of it.
    even = float(light_of(plain(60.0)).sum())
    shaded = float(light_of(plain(60.0, vanes=4.0, vane_deg=20.0, vane_width=0.1)).sum())
    assert even - shaded == pytest.approx(0.39 * 60.0**2, rel=0.05)
    # Along a vane it is dark, between two it is as before.
    light = light_of(plain(60.0, vanes=4.0, vane_width=0.1))
    assert float(light[100, 150 + 40]) == 0.0
    assert float(light[100 + 28, 150 + 28]) == pytest.approx(1.0, abs=1e-6)


@pytest.mark.parametrize("sides", [5, 6, 9])
def test_an_iris_makes_a_regular_polygon(sides):
    # Area of a regular polygon of circumradius R: n/2 R^2 sin(2 pi / n).
    light = light_of(plain(70.0, sides=float(sides)))
    expected = 0.5 * sides * 70.0**2 * np.sin(2 * pi / sides)
    assert float(light.sum()) == pytest.approx(expected, rel=0.015)


def test_a_pupil_is_shown_by_discs_only():
    whole = r.Reflection((plain(50.0), plain(50.0, hole=0.9), plain(50.0, fade=2.0)))
    shaped = r.through_pupil(whole, vanes=3, vane_deg=10.0, vane_width=0.1).ghosts
    assert [g.vanes for g in shaped] == [3.0, 0.0, 0.0]
