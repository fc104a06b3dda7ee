"""Diffraction of the generator's pupils against closed forms: rings, energies, spikes."""

import numpy as np
import pytest
from bare_star import amplitude, axis, diffraction, radius, table, vanes
from scipy.special import j0, j1

STEP = 0.05
SIZE = 1024
RINGS = table("airy_obstructed.csv")


def obstructed_airy(x: np.ndarray, hole: float) -> np.ndarray:
    """The published formula, x in lambda / D, 1 at its peak."""
    v = np.pi * np.maximum(np.abs(x), 1e-9)
    inner = hole**2 * 2 * j1(hole * v) / (hole * v) if hole else 0.0
    return ((2 * j1(v) / v - inner) / (1 - hole**2)) ** 2


def turning_point(row: np.ndarray, kind: int, number: int) -> tuple[float, float]:
    """Place and height of the `number`-th minimum (kind -1) or maximum (+1) off the centre."""
    signed = kind * row
    found = np.flatnonzero((signed[1:-1] > signed[:-2]) & (signed[1:-1] > signed[2:])) + 1
    i = found[number]
    left, middle, right = row[i - 1 : i + 2]
    shift = 0.5 * (left - right) / (left - 2 * middle + right)
    return (i + shift) * STEP, middle - 0.25 * (left - right) * shift


def half_row(light: np.ndarray) -> np.ndarray:
    """Light from the centre to the right over that at the centre."""
    return light[SIZE // 2, SIZE // 2 :] / light.max()


@pytest.mark.parametrize("row", RINGS, ids=lambda row: f"hole {row['hole']:.2f}")
def test_rings_of_an_obstructed_aperture(row):
    light = diffraction(STEP, SIZE, float(row["hole"]))
    line = half_row(light)
    # 0.5 % for places: a parabola through a grid of 0.05 lambda / D misses a minimum by 0.2 %,
    # 256 samples of the pupil another 0.1 %. Heights: 1 % of the ring.
    assert turning_point(line, -1, 0)[0] == pytest.approx(row["dark1"], rel=0.005)
    assert turning_point(line, -1, 1)[0] == pytest.approx(row["dark2"], rel=0.005)
    place, height = turning_point(line, 1, 0)
    assert place == pytest.approx(row["bright1"], rel=0.005)
    assert height == pytest.approx(row["bright1_height"], rel=0.01)
    inner = np.interp(-0.5, -line[:40], np.arange(40) * STEP)
    assert 2 * inner == pytest.approx(row["fwhm"], rel=0.003)
    # All light is counted by the peak: it holds (pi / 4) (1 - h^2) per (lambda / D)^2 of the
    # whole. What the picture's edge at 25.6 cuts off drops out of the ratio.
    whole = light.max() / STEP**2 / (np.pi / 4 * (1 - row["hole"] ** 2))
    away = radius(SIZE, STEP)
    for dark, inside in (("dark1", "inside1"), ("dark2", "inside2")):
        # 0.003: a staircase circle of radius 1.2 on a grid of 0.05 where the light is almost 0.
        got = light[away < row[dark]].sum() / whole
        assert got == pytest.approx(row[inside], abs=0.003)


def test_dark_rings_and_their_energies_without_a_hole():
    # Zeros of J1(pi x) and 1 - J0^2 there (Rayleigh 1881; Born & Wolf 8.5.2, both from memory).
    line = half_row(diffraction(STEP, SIZE))
    for i, (dark, inside) in enumerate(
        [(1.2197, 0.8378), (2.2331, 0.9099), (3.2383, 0.9376), (4.2411, 0.9523)]
    ):
        assert turning_point(line, -1, i)[0] == pytest.approx(dark, rel=0.005)
        assert 1 - j0(np.pi * dark) ** 2 == pytest.approx(inside, abs=1e-4)
    light = diffraction(STEP, SIZE)
    for dark, inside in [(3.2383, 0.9376), (4.2411, 0.9523)]:
        whole = light.max() / STEP**2 / (np.pi / 4)
        got = light[radius(SIZE, STEP) < dark].sum() / whole
        assert got == pytest.approx(inside, abs=0.003)


@pytest.mark.parametrize(("number", "height"), [(0, 0.01750), (1, 0.00416), (2, 0.00160)])
def test_heights_of_the_bright_rings(number, height):
    # (2 J1(v) / v)^2 at the zeros of J2 (Born & Wolf, table 8.2, from memory); three digits.
    line = half_row(diffraction(STEP, SIZE))
    assert turning_point(line, 1, number)[1] == pytest.approx(height, rel=0.01)


def test_radii_of_half_and_of_four_fifths_of_the_light():
    # 0.5348321 as in galsim's airy.py, 0.8969 by 1 - J0^2 - J1^2 = 0.8; lambda / D.
    fine = diffraction(0.01, 601)
    away = radius(601, 0.01)
    whole = fine.max() / 0.01**2 / (np.pi / 4)
    # The staircase of a circle on a grid of 0.01 and 256 samples of the pupil: 0.3 %.
    for share, at in ((0.5, 0.5348321), (0.8, 0.8969)):
        edge = np.linspace(0.95 * at, 1.05 * at, 201)
        inside = [fine[away < r].sum() / whole for r in edge]
        assert np.interp(share, inside, edge) == pytest.approx(at, rel=0.003)


@pytest.mark.parametrize("hole", [0.0, 0.33])
def test_light_far_out_follows_the_formula(hole):
    line = half_row(diffraction(STEP, SIZE, hole))
    x = np.arange(len(line)) * STEP
    # Of the peak; the rings beyond 10 lambda / D are 1e-4 high, so this is a few per cent of them.
    assert np.abs(line - obstructed_airy(x, hole)).max() < 4e-5
    far = (x > 10) & (x < 25)
    assert line[far].mean() == pytest.approx(obstructed_airy(x[far], hole).mean(), rel=0.05)


@pytest.mark.parametrize("turn_deg", [0.0, 17.0])
@pytest.mark.parametrize("samples", [128, 256])
def test_spider_takes_its_area_and_its_square(turn_deg, samples):
    # 200 mm with a hole of 50 mm and 4 vanes of 1 mm: 1.019 % of the area, so the peak falls to
    # 0.9797 of that without (Babinet; Harvey & Ftaclas 1995, from memory). Grey edges keep the
    # area to 0.1 % of itself however coarse the pupil.
    with_vanes = amplitude(0.25, vanes(4, 1 / 200, turn_deg), samples).double().sum()
    share = float(1 - with_vanes / amplitude(0.25, (), samples).double().sum())
    assert share == pytest.approx(0.01019, rel=0.005)
    assert (1 - share) ** 2 == pytest.approx(0.9797, abs=2e-4)


def spider_field(x: np.ndarray, y: np.ndarray, hole: float, width: float) -> np.ndarray:
    """Amplitude of a pupil with 4 vanes along the axes in closed form; places in lambda / D.

    Babinet: the open pupil's Bessel functions less the sinc functions of the vanes' rectangles.
    """
    v = np.pi * np.maximum(np.hypot(x, y), 1e-9)
    open_pupil = np.pi / 4 * (2 * j1(v) / v - hole**2 * 2 * j1(hole * v) / (hole * v))
    length, middle = 0.5 * (1 - hole), 0.25 * (1 + hole)
    for along, across in ((x, y), (y, x)):
        pair = 2 * np.cos(2 * np.pi * middle * along) * length * np.sinc(length * along)
        open_pupil = open_pupil - pair * width * np.sinc(width * across)
    return open_pupil


def test_spikes_hold_the_light_the_core_has_lost():
    # Vanes of 8 mm in 200 mm with a hole of 50 mm. In the open pupil's light f (1 - f) goes from
    # the core to the spikes, f = area of the vanes over the pupil's.
    size, step, hole, width = 801, 0.25, 0.25, 0.04
    area = np.pi / 4 * (1 - hole**2)
    share = 4 * width * 0.375 / area
    x = axis(size, step)
    expected = spider_field(x[None], x[:, None], hole, width) ** 2 / (area * (1 - share)) * step**2
    star = diffraction(step, size, hole, vanes(4, width), samples=512)
    # The four arms from 5 to 60 lambda / D: grey edges take 2 % off vanes of 20 samples, the
    # vanes' round ends a little: 3 %. Along the arm light falls by a factor of a hundred.
    arms = np.minimum(np.abs(x)[:, None], np.abs(x)) <= 4.0
    for near, far in ((5.0, 10.0), (10.0, 20.0), (30.0, 45.0)):
        place = np.maximum(np.abs(x)[:, None], np.abs(x))
        part = arms & (place >= near) & (place < far)
        assert star[part].sum() == pytest.approx(expected[part].sum(), rel=0.03), near
    # The core: the peak is that of the area left over, (1 - f) of the open one of equal light.
    assert star.max() == pytest.approx(area * (1 - share) * step**2, rel=0.01)


@pytest.mark.parametrize(("count", "spikes"), [(1, 2), (2, 2), (3, 6), (4, 4), (5, 10)])
def test_number_of_spikes(count, spikes):
    # An even number of vanes makes as many spikes, an odd one twice as many (optics of a slit:
    # each vane shines both ways across itself, opposite vanes the same ways).
    size, step = 401, 0.5
    light = diffraction(step, size, 0.25, vanes(count, 0.02, 7.0))
    away = radius(size, step)
    ring = (away > 15) & (away < 40)
    x, y = np.meshgrid(axis(size, step), axis(size, step))
    sector = (np.rad2deg(np.arctan2(y, x))[ring] % 360 / 2).astype(int)
    mean = np.bincount(sector, light[ring], 180) / np.bincount(sector, minlength=180)
    high = mean > 4 * np.median(mean)
    assert int((high & ~np.roll(high, 1)).sum()) == spikes


def test_first_null_along_a_spike():
    # At lambda / t: 1 mm vanes of a 100 mm telescope at 550 nm, 113.4 arcsec = 100 lambda / D.
    assert np.rad2deg(550e-9 / 1e-3) * 3600 == pytest.approx(113.4, abs=0.1)
    size, step = 961, 0.5
    light = diffraction(step, size, 0.25, vanes(4, 0.01), samples=512)
    x, row = axis(size, step), light[size // 2] / light.max()
    lobes = np.convolve(row, np.ones(5) / 5, "same")  # over the beat of the two vanes
    near = (x > 85) & (x < 115)
    # A parabola through the dip's root, which is linear on both sides: good to 2 %.
    dip = np.polyfit(x[near] - 100, lobes[near], 2)
    assert 100 - dip[1] / (2 * dip[0]) == pytest.approx(100.0, rel=0.02)
    # Half way out sinc^2(1/2) = 0.405 of the spike at its root ((f / 2)^2 of the peak). Edge
    # samples in grey take 1 % off 5 samples' width there, beats of the rings 5 %.
    middle = row[(x > 46) & (x < 54)].mean()
    root = (2 * 2 * 0.375 * 0.01 / 2 / (np.pi / 4 * (1 - 0.25**2))) ** 2
    assert middle == pytest.approx(0.405 * root / (1 - 0.0204) ** 2, rel=0.1)
