"""A rendered night shows its own cause: what nobody could see in it is the cause of nothing."""

import numpy as np
import pytest

from synth.night import draw_night
from synth.reflections import reflection_map
from synth.spike_strength import plan_spikes, spike_strengths
from synth.strength import seen_reflection_pct


@pytest.mark.parametrize("seed", [30017, 30117, 31617])
def test_a_ghost_is_no_smaller_than_a_star_and_outshines_its_glare(seed):
    import torch

    night = draw_night(seed, "ghost", 3, 384, 256)
    for sub in night.subs:
        scene = sub.scene
        assert seen_reflection_pct(scene) >= 3.0  # from where a reflection counts
        axes = (torch.arange(0.0, size) for size in (scene.width_px, scene.height_px))
        light = reflection_map([scene.reflection], *axes)[0].numpy()
        # A star's disc of twice its FWHM covers pi FWHM^2.
        assert (light > 0.1 * light.max()).sum() > np.pi * scene.good_fwhm_px**2


@pytest.mark.parametrize("seed", range(41, 53))
def test_a_cable_does_not_hide_behind_the_vanes(seed):
    scene = draw_night(seed, "cable", 2, 256, 192).subs[0].scene
    vanes = scene.rig.telescope.vanes
    # A bar across the pupil spreads light at right angles to itself; k vanes 360 / k apart.
    regular = [scene.rig.telescope.vane_angle_deg + 360 * k / vanes for k in range(vanes)]
    away = [
        min((abs((bar.angle_deg - vane + 90) % 180 - 90) for vane in regular), default=90.0)
        for bar in scene.bars
    ]
    assert max(away) >= 8.0  # nearer than that the two spikes are one


@pytest.mark.parametrize("seed", [31016, 32016, 33116])
def test_spikes_of_a_cable_are_seen(seed):
    scenes = [sub.scene for sub in draw_night(seed, "cable", 6, 512, 384).subs]
    width = np.array([scene.good_fwhm_px for scene in scenes])
    # In the better half of the night; 3 sigma is the level from which odd spikes count.
    assert np.median(spike_strengths(plan_spikes(scenes), width)) >= 3.0


@pytest.mark.parametrize("seed", [41126, 41226, 41726])
def test_satellites_of_a_twilight_are_several(seed):
    subs = draw_night(seed, "satellites", 18, 256, 192).subs
    assert sum(bool(sub.scene.trails) for sub in subs) >= 4


@pytest.mark.parametrize("seed", [31104, 31404, 31604])
def test_the_worst_sub_of_an_uneven_worm_is_as_long_as_told(seed):
    drawn = draw_night(seed, "tracking_error", 18, 256, 256)
    base = drawn.subs[0].scene.good_fwhm_px / 2.3548
    numbers = drawn.causes[0].numbers
    lines = np.array([np.hypot(*(sub.scene.path[-1] - sub.scene.path[0])) for sub in drawn.subs])
    # A line of length L adds L^2 / 12 to the variance (a uniform distribution). Good stars of
    # the first sub are wider than at the zenith by its airmass, 1.3 at the most here.
    worst = np.sqrt(1 + (lines.max() / base) ** 2 / 12)
    assert 1 + 0.6 * (numbers["elongation"] - 1) < worst < 1.05 * numbers["elongation"]
    if drawn.subs[0].scene.exposure_s > 2 * numbers["period_s"]:
        # Over whole periods a sine has the same variance wherever it begins.
        assert lines.min() > 0.7 * lines.max()
