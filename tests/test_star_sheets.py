"""Star cut-outs without the frame hold what the frame's own cut-outs hold, star by star.

The same scenes are rendered both ways: whole, cut by `classifier.sheet`; and straight. Stars of
both sheets at the same place of the frame are the same star under other noise, so differences
star by star average to zero within their standard error, save for what is stated beside each.
"""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pytest
import torch
from photutils.morphology import data_properties
from scipy import ndimage, stats
from torch import Tensor

from classifier.sheet import SHAPE_FACTS, cut_sheet
from classifier.surface import read_surface
from classifier.vocabulary import INDEX
from synth import plan as planning
from synth import tracking
from synth.catalogue import StarList
from synth.generate import render_plan
from synth.scene import Scene
from synth.sheet_plan import NUMBERS, plan_sheets
from synth.star_scenes import STAR_KEYS, draw_star_scenes
from synth.star_sheets import SheetRenderer, render_tiles
from synth.strength import strengths
from training.sheets import STAR_FACTS, Sheets, render_sheets

WIDTH, HEIGHT = 768, 512
RUN = 4


@dataclass
class Both:
    """The same frames cut from whole frames and straight; facts at the same column."""

    whole: Any
    straight: Sheets
    scenes: list

    def pairs(self) -> tuple[Tensor, Tensor, Tensor]:
        """Frame, star of the whole frame's sheet, star of the straight one: within 3 px."""
        size = torch.tensor([WIDTH, HEIGHT]) / 2
        one, other = (f[..., :2] * size for f in (self.whole.facts, self.straight.facts))
        away = torch.cdist(one, other)
        there = (self.whole.facts[..., 4:5] > 0) & (self.straight.facts[..., 4] > 0)[:, None]
        away = torch.where(there, away, torch.inf)
        nearest, which = away.min(2)
        frame, star = torch.nonzero(nearest < 3).unbind(1)
        return frame, star, which[frame, star]


def _well_sampled(cfa: bool, first_seed: int) -> list[Scene]:
    """A run whose good stars are 2 to 5 px wide: their shape can be read off few of them."""
    for seed in range(first_seed, first_seed + 40):
        scenes = draw_star_scenes(seed, 0, RUN, WIDTH, HEIGHT, cfa)
        if 2 < scenes[0].good_fwhm_px < 5 and len(scenes[0].stars.flux_e) > 300:
            return scenes
    raise AssertionError("no well sampled run in 40 seeds")


@pytest.fixture(scope="module")
def both() -> Both:
    scenes = [*_well_sampled(False, 1), *_well_sampled(True, 2), *_well_sampled(False, 50)]
    nothing = (np.zeros(0, int), np.zeros(0))
    with pytest.MonkeyPatch.context() as patch:
        # Particle hits pass for stars on whole frames and are in no catalogue.
        patch.setattr(planning, "cosmic_rays", lambda scene: nothing)
        plans = [planning.plan(scenes[i : i + RUN]) for i in range(0, len(scenes), RUN)]
    batches = [render_plan(plan, 1, i) for i, plan in enumerate(plans)]
    sheets = []
    for batch in batches:
        is_cfa = batch.physical["is_cfa"] > 0.5
        surface = read_surface(batch.pixels, is_cfa, batch.physical["offset_adu"])
        sheets.append(cut_sheet(batch.pixels, surface, is_cfa, batch.physical["saturation_adu"]))
    whole = type(sheets[0])(
        *(torch.cat(column) for column in zip(*(vars(s).values() for s in sheets), strict=True))
    )
    straight = next(render_sheets(plan_sheets(scenes), 9, 0, told_share=1.0))
    return Both(whole, straight, scenes)


def _snr(facts: Tensor) -> Tensor:
    return torch.expm1(3 * facts[..., 2])


def _light(cutouts: Tensor) -> Tensor:
    """Cut-outs as shown, made linear again: the star's peak is 1."""
    return torch.sinh(3 * cutouts) / 10


def _radius_px() -> Tensor:
    axis = torch.arange(32.0) - 16
    return (axis[:, None] ** 2 + axis[None] ** 2).sqrt()


def assert_about_zero(differences: Tensor, allowed: float) -> None:
    """The median lies within three of its standard errors, and what is `allowed`, of zero.

    1.25 sigma / sqrt n is the standard error of a median; sigma from the middle half.
    """
    values = differences[differences.isfinite()].double().numpy()
    error = 1.2533 * stats.iqr(values) / 1.349 / len(values) ** 0.5
    assert abs(np.median(values)) < 3 * error + allowed


def test_as_many_stars_are_found_and_mostly_the_same(both):
    held = both.whole.facts[..., 4].sum(1), both.straight.facts[..., 4].sum(1)
    # Fewer than 64 are left where the noise decides which faint peaks count.
    assert float((held[0] - held[1]).abs().mean()) < 4
    frame, star, _ = both.pairs()
    # Of 64 out of 128 peaks those in the middle of the ranking change with the noise, and of a
    # smeared star now one end is the peak, now the other.
    assert len(frame) > 0.7 * float(held[0].sum())
    assert len({*zip(frame.tolist(), star.tolist(), strict=True)}) == len(frame)


def test_second_moments_star_by_star(both):
    frame, star, other = both.pairs()
    one, two = both.whole.facts[frame, star], both.straight.facts[frame, other]
    good = torch.nonzero((_snr(one) > 40) & (one[:, 3] + two[:, 3] == 0))[:, 0][::4]
    assert len(good) > 50
    inner = (_radius_px() > 7).numpy()

    def moments(cutouts: Tensor) -> Tensor:
        rows = []
        for light in _light(cutouts).clamp_min(0).double().numpy():
            shape = data_properties(light, mask=inner)
            (xx, _), (_, yy) = shape.covariance.value
            rows.append((xx, yy, shape.elongation.value))
        return torch.tensor(rows)

    whole = moments(both.whole.cutouts[frame[good], star[good]])
    straight = moments(both.straight.cutouts[frame[good], other[good]])
    for column in range(3):
        # 1 %: where the stamps of bright stars differ (a finer pupil and a wider grid in frames).
        assert_about_zero((straight / whole).log()[:, column], 0.01)


def test_signal_to_noise_star_by_star(both):
    frame, star, other = both.pairs()
    one, two = both.whole.facts[frame, star], both.straight.facts[frame, other]
    # A contact sheet has a star in every tile, so its noise is read up to a tenth too high.
    assert_about_zero((_snr(two) / _snr(one)).log(), 0.08)
    assert stats.ks_2samp(_snr(one).numpy(), _snr(two).numpy()).pvalue > 1e-3


def test_background_and_neighbours_light(both):
    frame, star, other = both.pairs()
    one = _light(both.whole.cutouts[frame, star])
    two = _light(both.straight.cutouts[frame, other])
    rim, ring = _radius_px() > 13, (_radius_px() > 8) & (_radius_px() < 14)
    grain = (two[:, rim].std(1) / one[:, rim].std(1)).log()
    assert_about_zero(grain, 0.02)  # neighbours beyond the eight strongest
    # In units of the star's peak; a peak's own noise and the sky's level under it add scatter.
    light = [cutouts[:, ring].sum(1) for cutouts in (one, two)]
    assert_about_zero(light[1] - light[0], 0.05)
    assert stats.ks_2samp(light[0].numpy(), light[1].numpy()).pvalue > 1e-3


@pytest.mark.parametrize(
    ("name", "allowed"),
    [
        ("log_fwhm_px", 0.005),
        ("log_hfr_px", 0.005),
        ("elongation", 0.02),
        ("stretch_cos", 0.02),
        ("stretch_sin", 0.02),
        ("dip", 0.01),
        ("lopsided", 0.01),
        ("halo", 0.01),
    ],
)
def test_shape_of_the_stack_frame_by_frame(both, name, allowed):
    whole = both.whole.shape[:, SHAPE_FACTS.index(name)]
    differences = (both.straight.shape[:, STAR_FACTS.index(name)] - whole).double().numpy()
    assert abs(differences.mean()) < 3 * stats.sem(differences) + allowed


def test_strengths_are_those_of_whole_frames(both):
    columns = [INDEX[key] for key in STAR_KEYS]
    found = both.straight.strength[:, columns].numpy()
    expected = strengths(both.scenes)[:, columns]
    np.testing.assert_allclose(found, expected, rtol=2e-3, equal_nan=True)
    recipes = {key for scene in both.scenes for key in scene.recipe}
    assert len(recipes & set(STAR_KEYS)) >= 3  # else this compares absent faults only


@pytest.fixture(scope="module")
def dark():
    """Colour scenes without stars or hot pixels; two of them so short that read noise rules."""
    scenes = []
    for i, scene in enumerate(draw_star_scenes(4, 0, 4, 384, 256, cfa=True)):
        none = replace(scene.stars, flux_e=0 * scene.stars.flux_e)
        exposure_s = scene.exposure_s / (1 if i < 2 else 300)
        scenes.append(replace(scene, stars=none, hot_share=0.0, exposure_s=exposure_s))
    return scenes


def test_empty_tiles_follow_the_photon_transfer_law(dark):
    (batch,) = render_tiles(plan_sheets(dark), 1, 0)
    tiles = batch.pixels.double()
    # Tiles that hang over the frame's edge hold repeated pixels.
    far = batch.origin_px + batch.side_px
    whole = (batch.origin_px >= 0).all(2) & (far[..., 0] <= 384) & (far[..., 1] <= 256)
    for i, row in enumerate(batch.rows.tolist()):
        camera, scene = dark[row].rig.camera, dark[row]
        assert torch.equal(tiles[i], tiles[i].round())
        response = np.array(scene.plane_response)
        prnu = batch.numbers["prnu"][i].item()
        for place in range(4):
            values = tiles[i, whole[i], place // 2 :: 2, place % 2 :: 2]
            electrons = scene.sky_e / response.mean() * response[place] + scene.dark_e
            noise2_e = electrons + camera.read_noise_e**2 + (prnu * electrons) ** 2
            variance = noise2_e / camera.gain_e_adu**2 + 1 / 12
            mean = electrons / camera.gain_e_adu + camera.offset_adu
            n = values.numel()
            assert n > 4000
            # 5 standard errors of a mean and of a variance of n normal numbers.
            assert values.mean().item() == pytest.approx(mean, abs=5 * (variance / n) ** 0.5)
            assert values.var().item() == pytest.approx(variance, rel=5 * (2 / n) ** 0.5)


def test_stars_sit_where_the_catalogue_has_them():
    scenes = []
    for i, scene in enumerate(draw_star_scenes(7, 0, 4, 256, 256, cfa=False)):
        full_e = 0.3 * scene.rig.camera.full_well_e * scene.good_fwhm_px**2
        place = np.array([100.13 + 0.37 * i]), np.array([90.62 + 0.29 * i])
        round_star = {"waves": (0.0,) * 8, "good_waves": (0.0,) * 8, "path": tracking.still()}
        round_star |= {"field_coma_waves": 0.0, "twist_deg": 0.0, "bars": ()}
        star = StarList(*place, np.array([full_e]), np.array([0.7]))
        scenes.append(replace(scene, stars=star, hot_share=0.0, shift_px=(0.0, 0.0), **round_star))
    for tiles in render_tiles(plan_sheets(scenes), 1, 0):
        side = tiles.side_px
        for i, row in enumerate(tiles.rows.tolist()):
            tile = tiles.pixels[i, 0].double().numpy()  # the only star's
            light = tile - np.median(tile)
            middle = side // 2 - 16, side // 2 + 18
            light = light[slice(*middle), slice(*middle)]
            y, x = ndimage.center_of_mass(np.where(light > 0.1 * light.max(), light, 0))
            found = np.array([x, y]) + middle[0] + tiles.origin_px[i, 0].numpy()
            wanted = scenes[row].stars.x_px[0], scenes[row].stars.y_px[0]
            # Places are rounded to a quarter of a pixel: 1 / 8 off at most; as much for noise and
            # the pixels at the threshold.
            np.testing.assert_allclose(found, wanted, atol=0.2)


def test_hot_pixels_come_as_often_as_the_scene_says(dark):
    share = 2e-3
    scenes = [replace(s, hot_share=share, hot_e=1000 * s.noise_e) for s in dark]
    (tiles,) = render_tiles(plan_sheets(scenes), 1, 0)
    noise = torch.tensor([s.noise_e / s.rig.camera.gain_e_adu for s in scenes])[tiles.rows]
    pixels = tiles.pixels.flatten(1)
    hot = pixels - pixels.median(1, keepdim=True).values > 20 * noise[:, None]
    expected = share * hot.numel()
    # Poisson, 4 sigma; the log-normal tail leaves none of them under 20 sigma; a repeated edge
    # repeats its hot pixels, which a fifth more allows for.
    assert hot.sum().item() == pytest.approx(expected, abs=4 * expected**0.5 + 0.2 * expected)


def test_saturated_stars_are_as_many():
    scenes = _well_sampled(False, 6)
    rng = np.random.default_rng(1)

    def brighter(scene: Scene) -> StarList:
        """Thirty stars, a tenth to ten times as bright as fills the well of a round star."""
        camera = scene.rig.camera
        room_adu = camera.saturation_adu - camera.offset_adu
        full_e = room_adu * camera.gain_e_adu * 1.13 * scene.good_fwhm_px**2
        flux_e = np.sort(full_e * 10 ** rng.uniform(-1, 1, 30))[::-1]
        x_px, y_px = rng.uniform(40, WIDTH - 40, 30), rng.uniform(40, HEIGHT - 40, 30)
        return StarList(x_px, y_px, flux_e, np.full(30, 0.7))

    scenes = [replace(s, stars=brighter(s)) for s in scenes]
    batch = render_plan(planning.plan(scenes), 1, 0)
    is_cfa = batch.physical["is_cfa"] > 0.5
    surface = read_surface(batch.pixels, is_cfa, batch.physical["offset_adu"])
    whole = cut_sheet(batch.pixels, surface, is_cfa, batch.physical["saturation_adu"])
    straight = next(render_sheets(plan_sheets(scenes), 2, 0, told_share=1.0))
    one, two = (sheet.facts[..., 3].sum().item() for sheet in (whole, straight))
    assert one > 12
    # The same stars: only those at the very edge of saturation may differ, one in ten of which
    # lie within a tenth of it.
    assert two == pytest.approx(one, abs=0.1 * one + 2)


def test_stars_laid_anew_keep_their_light_and_fill_the_field_evenly():
    plan = plan_sheets(_well_sampled(False, 3))
    renderer, generator = SheetRenderer(plan), torch.Generator().manual_seed(1)
    first = renderer.tiles(generator)
    again = renderer.tiles(generator, anew=True)
    for old, new in zip(first, again, strict=True):
        there = new.there
        assert not torch.equal(old.stars_px, new.stars_px)
        for axis, side in ((0, WIDTH), (1, HEIGHT)):
            share = (new.stars_px[..., axis][there] / side).numpy()
            assert stats.kstest(share, "uniform").pvalue > 1e-3
        assert abs(new.pixels.mean() / old.pixels.mean() - 1) < 0.2


def test_the_same_seed_gives_the_same_cutouts():
    plan = plan_sheets(draw_star_scenes(3, 0, 2, 256, 256, cfa=True))
    one, two, other = (next(render_sheets(plan, 1, index)) for index in (0, 0, 1))
    assert torch.equal(one.cutouts, two.cutouts)
    assert torch.equal(one.stack, two.stack)
    assert not torch.equal(one.cutouts, other.cutouts)
    again = plan_sheets(draw_star_scenes(3, 0, 2, 256, 256, cfa=True))
    assert np.array_equal(plan.stars, again.stars)


def test_a_plan_holds_each_scenes_numbers():
    scenes = draw_star_scenes(3, 0, 3, 256, 256, cfa=False)
    plan = plan_sheets(scenes)
    assert len(plan) == 3
    for row, scene in zip(plan.numbers, scenes, strict=True):
        assert row[NUMBERS.index("noise_e")] == pytest.approx(scene.noise_e, rel=1e-6)
    count = len(scenes[0].stars.flux_e)
    dimmed = scenes[0].stars.flux_e * 10 ** (-0.4 * scenes[0].extinction_mag)
    np.testing.assert_allclose(plan.stars[0, :count, 2], dimmed, rtol=1e-6)
