"""What crowding leaves of a trail's S/N, against noise measured on rendered star fields."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import median_filter

from synth.catalogue import StarList
from synth.crowding import MASKED_SIGMA, arriving_e, left_by_stars
from synth.generate import draw_scenes
from synth.scene import Scene
from synth.starlight import plan_stars, star_layer

SIDE = 384
# Fields of all sorts, from broad stars in the Milky Way to sharp ones and, at the end, hardly any.
FIELDS = (2, 8, 13, 17, 22, 28, 31, 33, 38, 6)


@pytest.fixture(scope="module")
def fields() -> list[Scene]:
    return [draw_scenes(4242, number, 1, SIDE, SIDE, [], cfa=False)[0] for number in FIELDS]


def measured(scene: Scene, light: np.ndarray, rng: np.random.Generator) -> float:
    """Share of the S/N that lines along columns and rows keep beside stars that are masked, in
    units of the pixels' noise: matched sums of every line, their scatter over all lines."""
    mask = light < MASKED_SIGMA
    sigma_px = scene.good_fwhm_px / 2.3548
    away = np.arange(SIDE)[:, None] - np.arange(SIDE)[None]
    weight = np.exp(-0.5 * (away / sigma_px) ** 2)
    answers = []
    for _ in range(6):
        picture = (light + rng.normal(size=light.shape)) * mask
        for part, free in ((picture, mask), (picture.T, mask.T)):
            power = free.sum(0) @ weight**2
            sums = part.sum(0) @ weight / np.sqrt(power)
            # A search compares each line with its neighbours: what is wide goes.
            sums = (sums - median_filter(sums, 61))[32:-32]
            white = np.sqrt(SIDE * (weight**2).sum(0))
            answers.append(np.median(np.sqrt(power) / white) / sums.std())
    return float(np.mean(answers))


def test_what_stars_leave_of_a_trail_is_what_masked_pictures_leave(fields):
    layers = star_layer(plan_stars(fields), SIDE, SIDE, "cpu").numpy()
    rng, ratios = np.random.default_rng(5), []
    for scene, layer in zip(fields, layers, strict=True):
        light = layer * 10 ** (-0.4 * scene.extinction_mag) / scene.noise_e
        ratios.append(left_by_stars(scene, 2**-0.5) / measured(scene, light, rng))
    # Some 100 lines a picture are independent, which tells their scatter to 7 %. Wings are not
    # those of one Moffat profile, and in crowds they add up to more than each has by itself.
    away = np.abs(np.log(ratios))
    assert np.median(away) < 0.1, np.round(ratios, 2)
    assert away.max() < np.log(1.5), np.round(ratios, 2)
    assert np.exp(np.mean(np.log(ratios))) == pytest.approx(1, rel=0.12)


def test_a_handful_of_stars_costs_nothing_and_every_star_something(fields):
    assert left_by_stars(fields[-1], 2**-0.5) > 0.97
    for scene in fields[:-1]:
        stars = scene.stars
        some = StarList(*(column[::2] for column in vars(stars).values()))
        thinned = replace(scene, stars=some)
        assert left_by_stars(scene, 2**-0.5) < left_by_stars(thinned, 2**-0.5) < 1


def test_stars_arrive_through_air_and_cloud_and_the_colours_of_a_mosaic(fields):
    scene = replace(fields[0], extinction_mag=0.0)
    bare = arriving_e(scene)
    # Pogson: one magnitude is 10^0.4.
    assert arriving_e(replace(scene, extinction_mag=1.0)) == pytest.approx(bare / 10**0.4)
    colour = draw_scenes(4242, 1, 1, SIDE, SIDE, [], cfa=True)[0]
    stars = replace(colour.stars, colour=np.full_like(colour.stars.colour, 0.7))
    mosaic = colour.rig.camera.cfa
    assert mosaic is not None
    first, second, third, fourth = (float(name == "R") for name in mosaic)
    red = replace(colour, plane_response=(first, second, third, fourth))
    seen = arriving_e(replace(red, stars=stars, extinction_mag=0.0))
    # One place of the four sees a star of the colour that a mosaic is balanced for.
    assert seen == pytest.approx(stars.flux_e / 4)
