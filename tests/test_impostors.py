"""Peaks that are no stars: what stands among planted stars is not shown in their place, and stars
that look odd, all alike, are not taken for it."""

import math

import numpy as np
import pytest
import torch
from painted_sky import gaussian, grid_of_stars, images, paint
from scipy.ndimage import convolve

from classifier.impostors import STAMP_PX, are_stars, grain_of
from classifier.sheet import SHAPE_FACTS, cut_sheet
from classifier.star_shape import cut
from classifier.surface import read_surface

SHAPE = (480, 640)
NOISE = 5.0
# S/N from which a star is laid into the stack.
GOOD_SNR = 12.0


def sheet_of(picture, is_mosaic=False):
    pixels = torch.from_numpy(np.ascontiguousarray(picture, np.float32))[None]
    unknown, is_cfa = torch.tensor([math.nan]), torch.tensor([is_mosaic])
    surface = read_surface(pixels, is_cfa, unknown)
    return cut_sheet(pixels, surface, is_cfa, unknown)


def distances(sheet, places, least_snr=0.0):
    """Of every star shown with at least that S/N to the nearest planted one, px."""
    facts = sheet.facts[0].numpy()
    shown = (facts[:, 4] > 0) & (np.expm1(3 * facts[:, 2]) > least_snr)
    found = sheet.stars_px[0, shown, :2].numpy()
    return np.hypot(*(found[:, None] - places[None]).transpose(2, 0, 1)).min(1)


def fwhm_px(sheet):
    return math.exp(float(sheet.shape[0, SHAPE_FACTS.index("log_fwhm_px")]))


@pytest.fixture(scope="module")
def places():
    """Of 30 stars: fewer than are shown, so that there is room for what is none."""
    return grid_of_stars(SHAPE, 90, 3, jitter=10.0)[:30]


def starry(fwhm, places, seed=3):
    """Stars that all stand clear of the noise, from 20 to 200 times it at their tops."""
    tops = NOISE * 20 * 10 ** np.random.default_rng(seed).uniform(0, 1, len(places))
    # A Gaussian's flux is its top times 2 pi sigma^2 = 1.133 FWHM^2.
    return paint(SHAPE, gaussian(fwhm), places, 1.133 * fwhm**2 * tops, noise=NOISE, seed=seed)


def hot_pixels(share, seed=8):
    """Light of single hot pixels, most of them 10 to 100 times the noise (log-normal, as dark
    currents of hot pixels are: common practice)."""
    rng = np.random.default_rng(seed)
    hot = rng.random(SHAPE) < share
    return hot * NOISE * 40 * np.exp(rng.normal(0, 0.7, SHAPE))


def test_hot_pixels_do_not_make_the_stars_narrow(places):
    """1,200 hot pixels on 300,000 px: every tenth passes for one that shares its light."""
    sheet = sheet_of(starry(5.0, places) + hot_pixels(0.004))
    far = distances(sheet, places, GOOD_SNR) > 4.0
    assert (~far).sum() >= 0.9 * len(places)
    assert far.mean() < 0.1
    # The stack is read to some 5 % on stars alone.
    assert fwhm_px(sheet) == pytest.approx(5.0, rel=0.1)


def test_hot_pixels_of_a_mosaic(places):
    """Planes of unlike height: levels say nothing, and stars are as wide as their colours allow."""
    planes = np.tile(np.array([[300.0, 0.0], [0.0, 150.0]]), (SHAPE[0] // 2, SHAPE[1] // 2))
    sheet = sheet_of(starry(5.0, places) + planes + hot_pixels(0.002), is_mosaic=True)
    far = distances(sheet, places, GOOD_SNR) > 4.0
    assert (~far).sum() >= 0.9 * len(places)
    assert far.mean() < 0.1


def test_hot_pixels_where_colours_were_interpolated(places):
    """Bilinear interpolation spreads a pixel with the weights 1 2 1 both ways: it has the width of
    a sharp star, which no star among those of 6 px has."""
    spread = np.outer((1, 2, 1), (1, 2, 1)) / 4
    stars = starry(6.0, places) - paint(SHAPE, gaussian(6.0), [], [], noise=NOISE, seed=3)
    rough = np.random.default_rng(5).normal(0, 5, SHAPE) + hot_pixels(1e-3)
    sheet = sheet_of(1000 + stars + convolve(rough, spread))
    far = distances(sheet, places, GOOD_SNR) > 4.0
    assert (~far).sum() >= 0.9 * len(places)
    assert far.mean() < 0.1


def test_hot_columns(places):
    """Columns of 16 to 30 times the noise, of which every 20th pixel passes for a peak."""
    picture = starry(5.0, places)
    for column, level in zip((37, 150, 301, 422, 555), (16, 18, 20, 25, 30), strict=True):
        picture[:, column] += level * NOISE
    sheet = sheet_of(picture)
    far = distances(sheet, places, GOOD_SNR) > 4.0
    assert (~far).sum() >= 0.9 * len(places)
    assert far.mean() < 0.1
    assert fwhm_px(sheet) == pytest.approx(5.0, rel=0.1)


def test_pieces_of_a_trail(places):
    """A straight trail of 3 px FWHM across the frame, its noise that of its own light."""
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    across = (y - 60) * math.cos(0.5) - (x - 20) * math.sin(0.5)
    light = 60 * NOISE * np.exp(-4 * math.log(2) * (across / 3.0) ** 2)
    light *= 1 + np.random.default_rng(4).normal(0, 0.15, SHAPE)
    far = distances(sheet_of(starry(4.0, places) + light), places, GOOD_SNR) > 4.0
    assert (~far).sum() >= 0.9 * len(places)
    assert far.mean() < 0.1


def test_few_stars_among_hot_pixels():
    """Six stars are all that there is to see."""
    six = grid_of_stars(SHAPE, 180, 3, jitter=10.0)[:6]
    sheet = sheet_of(starry(4.0, six) + hot_pixels(2e-3))
    near = distances(sheet, six, GOOD_SNR)
    assert (near < 3.0).sum() >= 5
    assert (near >= 3.0).sum() <= 2


@pytest.mark.parametrize("fwhm", [1.35, 1.5, 2.0, 3.0])
def test_sharp_stars_are_kept_among_wide_things(places, fwhm):
    """Every sixth place holds a blur of 9 px, as a small galaxy is: sharper things beside it are
    stars."""
    blurs, stars = places[::6], np.delete(places, np.s_[::6], 0)
    alike = starry(9.0, blurs) - paint(SHAPE, gaussian(9.0), [], [], noise=NOISE, seed=3)
    sheet = sheet_of(starry(fwhm, stars) + alike)
    shown = sheet.stars_px[0, sheet.facts[0, :, 4] > 0, :2].numpy()
    seen = np.hypot(*(shown[None] - stars[:, None]).transpose(2, 0, 1)).min(1) < 3.0
    assert seen.mean() > 0.95


def judged(picture, at_px):
    """Whether `are_stars` takes what lies at (n, 2) places for stars, at the finest scale."""
    pixels = torch.from_numpy(np.ascontiguousarray(picture, np.float32))[None]
    unknown, is_cfa = torch.tensor([math.nan]), torch.tensor([False])
    surface = read_surface(pixels, is_cfa, unknown)
    place = torch.from_numpy(np.rint((at_px - 0.5) / 2)).long()[None]
    stamps = cut(surface.excess, place, STAMP_PX).flatten(2)
    grain = grain_of(pixels, surface, is_cfa, torch.tensor([math.inf]))
    snr, noise = torch.full((1, 1, len(at_px)), 50.0), 0.6 * surface.half_noise[:, None]
    return are_stars(stamps[:, None], place[:, None], snr, noise, grain)[0, 0].numpy()


def test_trailed_stars_are_no_pieces_of_one_trail(places):
    """Lines of 44 px as a slip of the mount leaves them, side by side over the frame: as many
    pieces of one long trail are none."""
    steps = np.linspace(-22, 22, 45)
    offsets = [(step * math.cos(0.6), step * math.sin(0.6)) for step in steps]
    stamp = images(4.0, offsets, [1 / 45] * 45)
    trailed = paint(SHAPE, stamp, places, 60 * NOISE * 200, noise=NOISE, half=40)
    assert judged(trailed, places).mean() > 0.85
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    across = (y - 30) * math.cos(0.6) - (x - 20) * math.sin(0.6)
    trail = 60 * NOISE * np.exp(-4 * math.log(2) * (across / 4.0) ** 2)
    on_it = np.linspace(40, 500, 30)[:, None] * np.array([math.cos(0.6), math.sin(0.6)])
    sky = paint(SHAPE, gaussian(4.0), [], [], noise=NOISE)
    assert judged(sky + trail, on_it + np.array([20.0, 30.0])).mean() < 0.15
