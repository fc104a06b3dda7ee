"""What clouds and air take from light beyond them is taken from all of it, and from the truth.

Outside reference: Pogson's scale, a magnitude is a factor of 10^0.4 (Pogson 1856, MNRAS 17, 12).
"""

from dataclasses import replace

import numpy as np
import pytest

from classifier.vocabulary import INDEX
from synth import recipes
from synth.expose import expected_electrons
from synth.plan import plan
from synth.scene import Scene, draw_run
from synth.streaks import Trail
from synth.strength import _fourth, _glare_e, settle

WIDTH, HEIGHT = 320, 240
TRAIL = Trail(-20.0, 40.0, 340.0, 200.0, 1.6, 400.0)


@pytest.fixture(scope="module")
def clear() -> Scene:
    (scene,) = draw_run(31, 4, 1, WIDTH, HEIGHT, cfa=False)
    return replace(scene, vignetting=None, dust=None)


@pytest.fixture(scope="module")
def cloudy(clear) -> Scene:
    return recipes.clouds(clear, 1.2, np.random.default_rng(3))


def light(scene: Scene) -> np.ndarray:
    return expected_electrons(plan([scene]))[0].double().numpy()


def test_a_trail_is_dimmed_by_the_clouds_before_it(clear, cloudy):
    """Pixel by pixel as the clouds' own map says, and like the stars."""
    trail = light(clear.with_("trail", 300.0, trails=(TRAIL,))) - light(clear)
    behind = light(cloudy.with_("trail", 300.0, trails=(TRAIL,))) - light(cloudy)
    bright = trail > 0.3 * trail.max()
    lost_mag = -2.5 * np.log10(behind[bright] / trail[bright])
    assert lost_mag.min() > 0 and lost_mag.std() > 0.02, "clouds are not even"
    seen, dimmed = (light(s) - light(replace(s, stars=_none(s))) for s in (clear, cloudy))
    shine = bright & (seen > 5)
    same = -2.5 * np.log10(dimmed[shine] / seen[shine])
    np.testing.assert_allclose(same, lost_mag[shine[bright]], atol=0.02)


def test_a_vignette_darkens_a_trail_as_it_darkens_the_sky(clear):
    dark = recipes.vignetting(clear, 60.0, np.random.default_rng(2))
    trail = light(clear.with_("trail", 300.0, trails=(TRAIL,))) - light(clear)
    left = light(dark.with_("trail", 300.0, trails=(TRAIL,))) - light(dark)
    bright = trail > 0.3 * trail.max()
    share = left[bright] / trail[bright]
    assert share.min() < 0.75 and share.max() > 0.9


def test_the_truth_of_a_trail_is_less_behind_clouds(clear, cloudy):
    row = INDEX["trail"]
    scenes = [s.with_("trail", 300.0, trails=(TRAIL,)) for s in (clear, cloudy)]
    seen, behind = (settle(plan([scene]).truth)[0, row] for scene in scenes)
    mean_mag = cloudy.clouds.mean_mag
    # Fewer stars are seen and masked behind clouds, which leaves a little more of the trail.
    assert behind / seen == pytest.approx(10 ** (-0.4 * mean_mag), rel=0.1)


def test_air_and_clouds_dim_the_stars_that_shapes_are_read_from(clear, cloudy):
    low = replace(clear, extinction_mag=clear.extinction_mag + 1.0)
    x_px, y_px = np.linspace(0, WIDTH - 1, 9), np.linspace(0, HEIGHT - 1, 7)
    for scene, mag in ((low, 1.0), (cloudy, cloudy.clouds.mean_mag)):
        share = 10 ** (-0.4 * mag)
        noise = clear.noise_e / scene.noise_e  # clouds brighten the sky
        assert _fourth(scene) == pytest.approx(_fourth(clear) * share * noise, rel=1e-6)
        glare, before = _glare_e(scene, x_px, y_px), _glare_e(clear, x_px, y_px)
        np.testing.assert_allclose(glare, before * share, rtol=1e-6)


def _none(scene: Scene):
    return replace(scene.stars, flux_e=np.zeros_like(scene.stars.flux_e))
