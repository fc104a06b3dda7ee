"""The stars that the network is shown: planted ones are picked, hot pixels are not."""

import math

import numpy as np
import pytest
import torch
import torch.nn.functional as F
from painted_sky import gaussian, grid_of_stars, paint, ring

from classifier.sheet import SHAPE_FACTS, STARS, cut_sheet
from classifier.surface import read_surface

SHAPE = (480, 640)
NOISE = 5.0


def sheet_of(picture, saturation=math.nan):
    pixels = torch.from_numpy(np.ascontiguousarray(picture, np.float32))[None]
    unknown = torch.tensor([math.nan])
    is_cfa = torch.tensor([False])
    surface = read_surface(pixels, is_cfa, unknown)
    return cut_sheet(pixels, surface, is_cfa, torch.tensor([saturation]))


def fact(sheet, name):
    return float(sheet.shape[0, SHAPE_FACTS.index(name)])


def star_count(sheet):
    return math.expm1(2 * fact(sheet, "log_star_count"))


@pytest.fixture(scope="module")
def places():
    return grid_of_stars(SHAPE, 64, 3, jitter=10.0)


@pytest.fixture(scope="module")
def picture(places):
    """70 stars of 3 px FWHM from 6,000 to 60,000 ADU on a sky of 500 with a noise of 5."""
    fluxes = 6000 * 10 ** np.random.default_rng(3).uniform(0, 1, len(places))
    return paint(SHAPE, gaussian(3.0), places, fluxes, noise=NOISE)


def distances(sheet, places):
    """Of every star on the sheet to the nearest planted one, px."""
    shown = sheet.facts[0, :, 4] > 0
    found = sheet.stars_px[0, shown, :2].numpy()
    return np.hypot(*(found[:, None] - places[None]).transpose(2, 0, 1)).min(1)


def test_planted_stars_are_picked_and_counted(picture, places):
    sheet = sheet_of(picture)
    near = distances(sheet, places)
    assert len(near) == STARS  # 70 are there
    # The place is the centre of a 2 x 2 px cell: within half its diagonal, and noise may move the
    # highest cell to the next one where the star lies between two.
    assert near.max() < 2**0.5 + 1.0
    # Every star is over 50 sigma; of the 20,000 independent cells of the sky none reaches 5 in
    # all but one of some 200 pictures.
    assert star_count(sheet) == pytest.approx(len(places), abs=1.01)


def test_empty_sky_has_no_stars():
    noise = paint(SHAPE, gaussian(3.0), [], [], noise=NOISE)
    assert star_count(sheet_of(noise)) < 1.5


def test_hot_pixels_and_columns_are_no_stars(picture, places):
    rng = np.random.default_rng(8)
    spoilt = picture.copy()
    # From this share on they count as a fault; far brighter than any star.
    hot = rng.random(SHAPE) < 5e-4
    spoilt[hot] += 20000
    spoilt[:, 301] += 3000
    near = distances(sheet_of(spoilt), places)
    assert len(near) >= 0.9 * STARS
    # Two hot pixels side by side do share light: 150 in 300,000 px give 0.3 such pairs.
    assert (near > 3.0).sum() <= 2


def test_rings_are_one_star_each():
    """Donuts of 28 px show tens of peaks each at native sampling; a coarser one sees each whole."""
    places = grid_of_stars(SHAPE, 90, 4, jitter=10.0)
    sheet = sheet_of(paint(SHAPE, ring(28.0, 0.4), places, 60000.0, noise=NOISE, half=24))
    assert star_count(sheet) == pytest.approx(len(places), abs=1.5)
    assert distances(sheet, places).max() < 14.0  # within the ring
    assert float(sheet.stars_px[0, 0, 2]) >= 64  # the cut-outs hold a ring whole


def test_nebulae_are_no_stars(picture, places):
    """Eight soft clouds of 35 px sigma, brighter than most of the stars."""
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    rng = np.random.default_rng(11)
    clouds = sum(
        250 * NOISE * np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / 2 / 35**2)
        for cx, cy in zip(rng.uniform(0, 640, 8), rng.uniform(0, 480, 8), strict=True)
    )
    near = distances(sheet_of(picture + clouds), places)
    assert len(near) >= 0.9 * STARS
    assert (near > 3.0).sum() <= 2


@pytest.mark.parametrize("fwhm", [3.0, 5.0])
def test_star_flux_follows_the_light(places, fwhm):
    """A dimming of 0.5 mag shows as ln 10^0.2 in the run's star flux, on an unchanged sky."""
    fluxes = 20000.0 * 10 ** np.random.default_rng(5).uniform(0, 0.5, len(places))
    bright = fact(sheet_of(paint(SHAPE, gaussian(fwhm), places, fluxes)), "log_star_flux")
    faint = fact(
        sheet_of(paint(SHAPE, gaussian(fwhm), places, fluxes * 10**-0.2, seed=1)), "log_star_flux"
    )
    # The mean of 20 stars of S/N 100 is good to 0.3 %, the noise that S/N is against to 0.7 %.
    assert bright - faint == pytest.approx(0.2 * math.log(10), abs=0.02)


@pytest.mark.parametrize(
    ("stamp", "low", "high"),
    [
        # Sigma 0.64 half-size px: 0.32 of the light in a centred one, 0.2 in one that shares it
        # evenly; 3 x 3 hold nearly all. Half the sum of 0.2 to 0.32 and 1/9.
        (gaussian(3.0), 0.15, 0.22),
        # 517 px^2 are lit, a pixel of that sampling has 64: 0.12 where no hole is, and 3 x 3 hold
        # most of it. Half the sum of 0.06 to 0.12 and up to 1/9.
        (ring(28.0, 0.4), 0.06, 0.12),
    ],
)
def test_star_flux_is_light_at_any_sampling(stamp, low, high):
    places = grid_of_stars(SHAPE, 90, 4, jitter=10.0)
    picture = paint(SHAPE, stamp, places, 60000.0, noise=NOISE, half=24)
    share = math.exp(fact(sheet_of(picture), "log_star_flux")) / (60000.0 / 4)  # means of 2 x 2
    assert low < share < high


def test_saturated_stars_are_told(picture):
    level = 2000.0
    sheet = sheet_of(picture.clip(max=level), level)
    top = np.array([picture[y - 2 : y + 3, x - 2 : x + 3].max() for x, y in _shown(sheet)])
    told = sheet.facts[0, :, 3].numpy() > 0.5
    sure = np.abs(top - 0.95 * level) > 5 * NOISE
    assert (told == (top >= 0.95 * level))[sure[: len(told)]].all()
    assert 5 < told.sum() < 60


def _shown(sheet):
    shown = sheet.facts[0, :, 4] > 0
    return sheet.stars_px[0, shown, :2].round().int().tolist()


def test_pile_up_at_the_top_is_found_without_a_header(picture):
    # 1500 ADU is reached by the brightest third of the stars; several pixels each.
    sheet = sheet_of(picture.clip(max=1500.0))
    assert fact(sheet, "saturated_share") > 0.1
    assert fact(sheet_of(picture), "saturated_share") == 0.0


def test_frames_of_a_batch_do_not_meet(picture):
    other = paint(SHAPE, gaussian(6.0), grid_of_stars(SHAPE, 80, 9), 30000.0, noise=7.0, seed=9)
    pixels = torch.from_numpy(np.stack((picture, other)))
    unknown, is_cfa = torch.full((2,), math.nan), torch.tensor([False, False])
    surface = read_surface(pixels, is_cfa, unknown)
    both = cut_sheet(pixels, surface, is_cfa, unknown)
    for index, alone in enumerate((picture, other)):
        single = sheet_of(alone)
        # Products of matrices may be summed in another order in a batch.
        assert torch.allclose(both.stars_px[index], single.stars_px[0])
        assert torch.allclose(both.shape[index], single.shape[0], atol=1e-3)
        assert torch.allclose(both.cutouts[index], single.cutouts[0], atol=1e-4)


def test_a_frame_smaller_than_the_coarse_scales():
    small = F.pad(torch.zeros(40, 44), (10, 10, 12, 12)).numpy() + 100
    small += np.random.default_rng(1).normal(0, 2, small.shape)
    sheet = sheet_of(small.astype(np.float32))
    assert torch.isfinite(sheet.shape).all()
