"""Star counts against published tables; nebulae and galaxies against the literature's shapes."""

from itertools import pairwise

import numpy as np
import pytest
import torch
from scipy.special import gammainc

from synth import field

WIDTH, HEIGHT = 240, 160
X = torch.arange(WIDTH, dtype=torch.float32)
Y = torch.arange(HEIGHT, dtype=torch.float32)

# Whole-sky mean N(< m) per deg2, Tycho-2 + UCAC4, a planetarium author's star-count table.
COUNTS = {9: 3.38, 10: 9.28, 11: 25.4, 12: 71.7, 13: 178, 14: 417, 15: 955, 16: 2155}


@pytest.mark.parametrize(("mag", "count"), COUNTS.items())
def test_star_counts(mag, count):
    assert field.star_count_per_deg2(mag) == pytest.approx(count, rel=1e-6)


@pytest.mark.parametrize(
    ("mag", "slope"), [(10, 0.44), (12, 0.45), (13, 0.395), (14, 0.370), (15, 0.359), (16, 0.354)]
)
def test_count_slope(mag, slope):
    # From the same table; 0.6 would be empty uniform space. 0.01: the slopes carry two digits.
    assert field.count_slope(mag) == pytest.approx(slope, abs=0.012)


def test_counts_go_on_beyond_the_table():
    # About 4,800 to 9,100 stars to magnitude 6 and 6.5 on the whole sky (Bright Star Catalogue,
    # 9,110 objects to 6.5; from memory).
    assert 41253 * field.star_count_per_deg2(6.5) == pytest.approx(9110, rel=0.3)
    slopes = [field.count_slope(m) for m in range(16, 25)]
    assert all(later < earlier for earlier, later in pairwise(slopes))
    # Some 1e9 stars to G 20 (Gaia: 1.1 to 1.7 billion near 20 to 21; from memory), factor two.
    assert 0.6e9 < 41253 * field.star_count_per_deg2(20.0) < 2.5e9


def test_latitude_factor_averages_to_one():
    sin_b = (np.arange(20_000) + 0.5) / 20_000
    mean = np.mean([field.latitude_factor(b) for b in np.rad2deg(np.arcsin(sin_b))])
    assert mean == pytest.approx(1.0, abs=0.01)
    ratio = field.latitude_factor(0.0) / field.latitude_factor(90.0)
    assert 8.0 < ratio < 14.0
    assert field.latitude_factor(-30.0) == field.latitude_factor(30.0)


def test_drawn_stars_follow_the_counts():
    # 2 deg2 at 4 arcsec/px, density 1.5: N(< 13) = 178 x 1.5 per deg2. A wide margin must not
    # thin the frame out.
    rng = np.random.default_rng(1)
    side = round(3600 * np.sqrt(2.0) / 4.0)
    x, y, mag, colour = field.draw_stars(rng, side, side, 4.0, 14.0, 1.5, 100_000, 400.0)
    inside = (x > -0.5) & (x < side - 0.5) & (y > -0.5) & (y < side - 0.5)
    for limit in (11, 12, 13, 14):
        expected = COUNTS[limit] * 1.5 * 2.0
        got = int((inside & (mag < limit)).sum())
        assert got == pytest.approx(expected, abs=4 * np.sqrt(expected))
    assert len(x) / inside.sum() == pytest.approx((1 + 800 / side) ** 2, rel=0.1)
    assert mag.max() <= 14.0
    assert np.median(colour) == pytest.approx(0.7, abs=0.15)  # field stars of 14 mag, memory


def test_too_many_stars_keeps_the_brightest():
    rng = np.random.default_rng(1)
    few = field.draw_stars(rng, 3000, 2000, 3.0, 20.0, 5.0, 500)[2]
    assert 400 <= len(few) <= 500
    # The cut follows from the counts: 500 stars over the area end near this magnitude.
    area = 3080 * 2080 * (3.0 / 3600) ** 2
    expected = np.interp(np.log10(500 / area / 5), np.log10(list(COUNTS.values())), list(COUNTS))
    assert few.max() == pytest.approx(expected, abs=0.1)


def test_clusters():
    rng = np.random.default_rng(3)
    x, y, mag, colour = field.draw_cluster(rng, 2000, 1500, 17.0, "globular")
    xo, yo, mag_o, colour_o = field.draw_cluster(rng, 2000, 1500, 17.0, "open")
    assert len(x) > len(xo)
    assert np.median(np.hypot(x - np.median(x), y - np.median(y))) < np.median(
        np.hypot(xo - np.median(xo), yo - np.median(yo))
    )
    assert colour.mean() > colour_o.mean()
    assert max(mag.max(), mag_o.max()) <= 17.0
    with pytest.raises(ValueError, match="cluster kind 'odd'"):
        field.draw_cluster(rng, 100, 100, 15.0, "odd")


@pytest.mark.parametrize("kind", field.NEBULA_KINDS)
def test_nebulae_are_bounded_and_textured(kind):
    for seed in range(4):
        p = field.draw_nebula(np.random.default_rng(seed), WIDTH, HEIGHT, peak=0.2, kind=kind)
        got = field.nebula_map([p, None], X, Y)
        assert (got[1] == 0.0).all()
        light = got[0]
        assert torch.isfinite(light).all()
        if kind == "dark":
            assert float(light.min()) < -0.02
            # A cubic interpolation overshoots a clipped edge by up to about a tenth.
            assert float(light.max()) < 0.05
        else:
            assert 0.1 < float(light.max()) < 0.9
            assert float(light.min()) > -0.05
        assert float(light.std()) > 0.003


def test_sersic_holds_half_its_light_within_the_half_light_radius():
    # b_n against the definition: regularised gamma P(2n, b_n) = 1/2, scipy.
    for n in (0.6, 1.0, 2.0, 4.0):
        b = float(field.sersic_b(torch.tensor(n, dtype=torch.float64)))
        assert gammainc(2 * n, b) == pytest.approx(0.5, abs=2e-3)
    # And on a rendered disc: light within 12 px over all within 7 x 12 px, tilted and squashed.
    axis = torch.arange(400, dtype=torch.float32)
    galaxy = field.Galaxy(200.0, 200.0, 12.0, 1.0, 0.5, 30.0, 1.0, 0.0, 0.0, 0.5)
    light = field.galaxy_map([field.Galaxies((galaxy,))], axis, axis)[0].double().numpy()
    yy, xx = np.mgrid[:400, :400] - 200.0
    c, s = np.cos(np.deg2rad(30)), np.sin(np.deg2rad(30))
    inside = np.hypot(xx * c + yy * s, (yy * c - xx * s) / 0.5) < 12.0
    assert light[inside].sum() / light.sum() == pytest.approx(0.5, abs=0.01)


def test_galaxy_against_astropy_sersic():
    modeling = pytest.importorskip("astropy.modeling.models")
    galaxy = field.Galaxy(70.3, 60.8, 15.0, 2.5, 0.6, 25.0, 0.4, 0.0, 0.0, 0.5)
    got = field.galaxy_map([field.Galaxies((galaxy,)), None], X[:140], Y[:120])
    model = modeling.Sersic2D(
        amplitude=0.4, r_eff=15.0, n=2.5, x_0=70.3, y_0=60.8, ellip=0.4, theta=np.deg2rad(25.0)
    )
    yy, xx = np.mgrid[:120, :140]
    expected = model(xx, yy)
    # Nearer than 4 px ours is rounded by the seeing; beyond 5 half-light radii (of a minor axis
    # of 9 px) it fades to nothing.
    away = np.hypot(xx - 70.3, yy - 60.8)
    far = (away > 4.0) & (away < 5 * 9.0)
    assert got[0].numpy()[far] == pytest.approx(expected[far], rel=0.02)
    assert (got[1] == 0.0).all()


def test_drawn_galaxies_are_finite_and_positive():
    drawn = [field.draw_galaxies(np.random.default_rng(s), WIDTH, HEIGHT) for s in range(12)]
    got = field.galaxy_map([*drawn, None], X, Y)
    assert torch.isfinite(got).all()
    assert float(got.min()) >= 0.0
    assert float(got[:-1].amax((1, 2)).median()) > 0.01
    assert any(g.arms > 0 for p in drawn for g in p.galaxies)
