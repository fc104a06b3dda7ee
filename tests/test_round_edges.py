"""Round edges and the discs behind them, on skies painted by hand.

The outside truth for the votes is scikit-image's Hough transform for circles, of the painted edge
itself; for places, sizes and heights it is what was painted.
"""

import numpy as np
import pytest
from skimage.transform import hough_circle, hough_circle_peaks

from classifier.background import SkyPicture
from classifier.disc_form import arc_forms, disc_forms, leaning_out
from classifier.discs import find_discs
from classifier.round_edges import circles, scales
from classifier.stars import STAR

SHAPE = (220, 300)
NOISE, STEP_PX = 4.0, 3


def lit(x, y, radius, step, soft=0.6, hole=0.0, shade=0.0):
    """A disc of that step, its edge `soft` cells wide, darker by `shade` to one side."""
    rows, columns = np.indices(SHAPE)
    away = np.hypot(columns - x, rows - y)
    light = 1 / (1 + np.exp(np.clip((away - radius) / soft, -50, 50)))
    if hole:
        light /= 1 + np.exp(np.clip((hole * radius - away) / soft, -50, 50))
    return step * light * (1 + shade * (columns - x) / radius).clip(0)


def sky(light=0.0, seed=1):
    return np.random.default_rng(seed).normal(light, NOISE, SHAPE).astype(np.float32)


def found_in(flat, stars=None):
    level = (1000 + flat).astype(np.float32)
    picture = SkyPicture(level, np.ones(SHAPE, bool), STEP_PX, level, 1, 0, 0, NOISE)
    stars = np.zeros(0, STAR) if stars is None else stars
    return find_discs(picture, np.full(SHAPE, 1000, np.float32), stars, 4.0, 3 * NOISE)[:2]


def edged(discs):
    return [disc for disc in discs if disc.has_edge]


def test_votes_agree_with_a_hough_transform_of_the_edge():
    x, y, radius = 140, 95, 26
    light = lit(x, y, radius, 1.0)
    pyramid = scales(sky(40 * light), np.ones(SHAPE, bool))
    best = max((one for scale in pyramid for one in circles(scale)), key=lambda one: one.votes)
    edge = (light > 0.5) & (lit(x, y, radius - 1, 1.0) < 0.5)
    radii = np.arange(20, 33)
    _, across, down, size = hough_circle_peaks(hough_circle(edge, radii), radii, total_num_peaks=1)
    # The painted edge is the outermost row of cells within it, half a cell inside the radius.
    assert best.sign == 1
    assert np.hypot(best.x - across[0], best.y - down[0]) < 3
    laid = disc_forms(pyramid[0], *(np.array([v]) for v in (1, best.x, best.y, best.radius)))
    assert np.hypot(laid.x[0] - across[0], laid.y[0] - down[0]) < 1
    assert laid.radius[0] == pytest.approx(size[0] + 0.5, abs=1.0)


@pytest.mark.parametrize("hole, shade, soft", [(0, 0, 0.6), (0.4, 0.3, 0.6), (0, 0.6, 1.0)])
@pytest.mark.parametrize("radius", [16, 30, 60])
def test_a_ghost_is_laid_on_its_edge(radius, hole, shade, soft):
    x, y = 150.3, 110.6
    _, bright = found_in(sky(lit(x, y, radius, 25.0, soft, hole, shade)))
    disc = edged(bright)[0]
    half = (STEP_PX - 1) / 2
    assert np.hypot(disc.x - half - STEP_PX * x, disc.y - half - STEP_PX * y) < (
        0.1 * STEP_PX * radius
    )
    assert disc.radius == pytest.approx(STEP_PX * radius, rel=0.1)
    assert disc.step_adu == pytest.approx(25, rel=0.1 + 0.8 * shade)


def test_a_ghost_that_leans_into_the_frame():
    _, bright = found_in(sky(lit(-12, 120, 40, 25.0)))
    disc = edged(bright)[0]
    assert disc.radius == pytest.approx(120, rel=0.1)
    assert np.hypot(disc.x + 35, disc.y - 361) < 12


@pytest.mark.parametrize(
    "x, y, radius", [(-30, 110, 60), (150, 255, 70), (318, 100, 40), (-10, 0, 70)]
)
def test_a_ghost_of_which_an_arc_is_seen(x, y, radius):
    """A third of the rim or less: as many sectors as a whole disc has lie over the arc."""
    _, bright = found_in(sky(lit(x, y, radius, 25.0)))
    disc = edged(bright)[0]
    assert disc.radius == pytest.approx(STEP_PX * radius, rel=0.1)
    off = np.hypot(disc.x - 1 - STEP_PX * x, disc.y - 1 - STEP_PX * y)
    # Along the line to the middle an arc tells its circle less well than a whole rim does.
    assert off < 0.15 * STEP_PX * radius


def test_an_arc_is_laid_on_its_circle():
    """From a start that is a quarter too small, with 0.3 of the rim in view, along one side."""
    scale = scales(sky(lit(-24, 110, 40, 40.0)), np.ones(SHAPE, bool))[1]
    start = [np.array([value]) for value in (-8.0, 113.0, 30.0)]
    laid = arc_forms(scale, np.ones(1), *start)
    assert abs(laid.x[0] + 24) < 3 and abs(laid.y[0] - 110) < 1.5
    assert laid.radius[0] == pytest.approx(40, rel=0.07)
    assert leaning_out(scale, *start).tolist() == [True]
    assert leaning_out(scale, start[1], start[1], start[2]).tolist() == [False]


def test_few_cells_of_a_rim_are_few_sectors():
    """Of a rim of 12 cells radius 0.38 of a turn lies in view: 29 cells, so that of 24 sectors only
    29 / 1.3 = 22 have noise of their own, and of one half as large 11."""
    for radius, most in ((12, 22), (6, 11)):
        scale = scales(sky(lit(-4.5 * radius / 12, 110, radius, 60.0)), np.ones(SHAPE, bool))[0]
        place = [np.array([value]) for value in (-4.5 * radius / 12, 110.0, float(radius))]
        told = int(arc_forms(scale, np.ones(1), *place).sectors[0])
        assert 0.7 * most <= told <= most


@pytest.mark.parametrize("seed", range(3))
def test_light_from_beyond_the_edge_has_no_arc(seed):
    """The glow of a star outside, falling as r^-2 (King 1971, PASP 83, 199), and a gradient."""
    rows, columns = np.indices(SHAPE)
    glow = 6e4 / ((columns + 25) ** 2 + (rows - 90) ** 2)
    for light in (glow, 0.3 * columns):
        _, bright = found_in(sky(light, seed))
        assert not edged(bright)


def test_dark_and_bright_are_told_apart():
    dark, bright = found_in(sky(lit(80, 60, 25, -20.0) + lit(210, 150, 30, 20.0)))
    assert len(edged(dark)) == len(edged(bright)) == 1
    assert edged(dark)[0].step_adu < 0 < edged(bright)[0].step_adu
    assert abs(edged(dark)[0].x - 241) < 10 and abs(edged(bright)[0].x - 631) < 10


def fractal(rng):
    """Structure at all scales, with a power spectrum of slope -11/3 (Kolmogorov), rms 1."""
    frequency = np.hypot(np.fft.fftfreq(SHAPE[0])[:, None], np.fft.fftfreq(SHAPE[1]))
    frequency[0, 0] = np.inf
    light = np.fft.ifft2(np.fft.fft2(rng.normal(size=SHAPE)) * frequency ** (-11 / 6)).real
    return light / light.std()


def test_nebulae_have_hardly_ever_a_round_edge():
    said = [
        bool(edged(found_in(sky(25 * fractal(np.random.default_rng(s)), s))[1])) for s in range(20)
    ]
    assert sum(said) <= 1


@pytest.mark.parametrize("seed", range(4))
def test_noise_and_halos_have_no_edge(seed):
    rows, columns = np.indices(SHAPE)
    halo = 300 / (1 + (np.hypot(columns - 200, rows - 80) / 6) ** 2)  # as the aureole of a star
    for light in (0.0, halo):
        dark, bright = found_in(sky(light, seed))
        assert not edged(dark) and not edged(bright)


def test_the_hole_of_a_ghost_is_no_shadow():
    ring = lit(150, 110, 70, 25.0, hole=0.35)
    dark, bright = found_in(sky(ring))
    assert len(edged(bright)) == 1 and not edged(dark)
    # A shadow deeper than the ghost is bright lies on the sensor, wherever the ghost falls.
    dark, _ = found_in(sky(lit(150, 110, 70, 25.0) - lit(150, 110, 8, 60.0)))
    assert len(edged(dark)) == 1


def test_stars_do_not_hide_a_ghost():
    rng = np.random.default_rng(5)
    field = np.zeros(SHAPE)
    places = rng.integers(0, SHAPE[0], 900), rng.integers(0, SHAPE[1], 900)
    field[places] = 40 * rng.pareto(1.2, 900).clip(0, 100)
    _, bright = found_in(sky(field + lit(160, 100, 45, 15.0)))
    disc = edged(bright)[0]
    assert np.hypot(disc.x - 481, disc.y - 301) < 14
    assert disc.radius == pytest.approx(135, rel=0.1)


def bright_star(x, y, flux_adu, slope, full_adu=60_000.0):
    """Light of a star whose wings fall as r^-slope beyond a core of 1.2 cells (Moffat 1969, A&A 3,
    455), cut where the sensor is full, and its row as the star search gives it."""
    rows, columns = np.indices(SHAPE)
    light = flux_adu * (1 + (np.hypot(columns - x, rows - y) / 1.2) ** 2) ** (-slope / 2)
    row = np.zeros(1, STAR)
    row["x"], row["y"] = STEP_PX * x + 1, STEP_PX * y + 1
    row["peak"], row["saturated"], row["flux"] = full_adu, True, 30 * flux_adu
    return np.minimum(light, full_adu), row


@pytest.mark.parametrize("slope", [3.0, 4.0, 5.0])
@pytest.mark.parametrize("flux_adu", [1e4, 1e5, 1e6, 1e7])
def test_the_wings_of_a_bright_star_have_no_edge(flux_adu, slope):
    light, star = bright_star(150.2, 110.3, flux_adu, slope)
    _, bright = found_in(sky(light), star)
    assert not edged(bright)


@pytest.mark.parametrize(
    "radius, off, flux_adu", [(24, 0, 3e5), (24, 5, 1e6), (16, 3, 3e5), (45, 9, 1e7)]
)
def test_a_ghost_round_its_own_star(radius, off, flux_adu):
    light, star = bright_star(150.2, 110.3, flux_adu, 4.0)
    _, bright = found_in(sky(light + lit(150.2 + off, 110.3, radius, 30.0)), star)
    disc = edged(bright)[0]
    assert np.hypot(disc.x - 1 - STEP_PX * (150.2 + off), disc.y - 1 - STEP_PX * 110.3) < (
        0.1 * STEP_PX * radius
    )
    assert disc.radius == pytest.approx(STEP_PX * radius, rel=0.1)


def test_an_edge_that_only_a_cover_makes_is_none():
    """Light that rises without end towards a covered middle, as wings do under the star's cover."""
    rows, columns = np.indices(SHAPE)
    away = np.hypot(columns - 150, rows - 110)
    wings = sky(200 * (20 / np.maximum(away, 10)) ** 5.0)
    place = [np.array([value]) for value in (1, 150.0, 110.0, 20.0)]
    covered = disc_forms(scales(wings, away > 16)[0], *place)
    assert covered.sharp[0] < 0.3
    # A disc under the same cover that shows in two sectors how even it is inside keeps its edge.
    gap = (away > 16) | (np.abs(rows - 110) < 6)
    even = disc_forms(scales(sky(lit(150, 110, 20, 60.0)), gap)[0], *place)
    assert even.sharp[0] > 0.8


def test_half_of_a_circle_is_not_a_disc():
    columns = np.indices(SHAPE)[1]
    half = lit(150, 110, 40, 25.0) * (columns > 150)
    _, bright = found_in(sky(half))
    assert not [d for d in edged(bright) if abs(d.radius - 120) < 20]


def test_a_circle_of_which_too_little_is_seen_has_no_form():
    """17.5 cells beyond the edge a sixth of a circle of 20 cells is left: 4 of 24 sectors."""
    scale = scales(sky(lit(-17.5, 110, 20, 60.0)), np.ones(SHAPE, bool))[0]
    near, far, radius = (np.array([value]) for value in (-17.5, 110.0, 20.0))
    assert disc_forms(scale, np.ones(1), near, far, radius).sectors.tolist() == [0]
    assert disc_forms(scale, np.ones(1), far, far, radius).sectors.tolist() == [24]


def test_a_ghost_beside_its_star_whose_wings_lie_across_the_edge():
    light, star = bright_star(118.0, 110.0, 3e6, 4.0)
    _, bright = found_in(sky(light + lit(150.0, 110.0, 28, 25.0)), star)
    disc = edged(bright)[0]
    assert np.hypot(disc.x - 451, disc.y - 331) < 9
    assert disc.radius == pytest.approx(84, rel=0.1)
