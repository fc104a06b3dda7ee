"""A rendered night shows its own cause: what nobody could see in it is the cause of nothing."""

import numpy as np
import pytest

from synth.night import draw_night
from synth.reflections import reflection_map
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
