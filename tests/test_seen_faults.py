"""What of a fault can be seen at all: the truth behind the labels of ghosts, trails and spikes."""

from dataclasses import replace

import numpy as np
import pytest

from classifier.vocabulary import INDEX
from synth import pictures, strength, tracking
from synth.catalogue import StarList
from synth.crowding import left_by_stars
from synth.expose import expected_electrons
from synth.generate import draw_scenes
from synth.plan import plan
from synth.recipes import RECIPES
from synth.reflections import Ghost, Reflection
from synth.scene import Bar
from synth.spike_strength import plan_spikes, spike_strengths


@pytest.fixture(scope="module")
def clean():
    """A clean mono scene of 600 x 400 px with few, faint stars."""
    scene = draw_scenes(3, 1, 1, 600, 400, [], cfa=False)[0]
    stars = replace(scene.stars, flux_e=scene.stars.flux_e * 1e-6)
    return replace(scene, stars=stars, shift_px=(0.0, 0.0), halo_share=0.0)


def disc(x_px, y_px, radius_px, brightness):
    return Ghost(
        x_px,
        y_px,
        radius_px,
        0.0,
        0.0,
        0.0,
        2.0,
        0.0,
        0.0,
        0.0,
        0.1,
        0.0,
        0.0,
        180.0,
        0.0,
        brightness,
    )


def seen(scene, *ghosts):
    return strength.seen_reflection_pct(replace(scene, reflection=Reflection(ghosts)))


def test_an_even_ghost_is_as_bright_as_it_was_drawn(clean):
    # 20 % of the sky over a disc of 80 px: the quantile of an even disc is the disc itself.
    assert seen(clean, disc(300, 200, 80, 0.2)) == pytest.approx(20, rel=0.02)


def test_a_ghost_outside_the_frame_is_no_ghost(clean):
    assert seen(clean, disc(-500, 200, 80, 0.2)) == 0


def test_a_ghost_no_larger_than_a_star_is_not_scored(clean):
    # On one of the 48 x 48 places that are looked at.
    x_px, y_px = 599 * 24 / 47, 399 * 24 / 47
    assert np.isnan(seen(clean, disc(x_px, y_px, 1.5 * clean.good_fwhm_px, 0.2)))


def test_a_ghost_under_a_bright_star_is_not_scored(clean):
    ghost = disc(300, 200, 40, 0.2)
    stars = clean.stars
    x, y, flux = stars.x_px.copy(), stars.y_px.copy(), stars.flux_e.copy()
    # Bright enough for the Moffat wings at 40 px of even the sharpest star.
    x[0], y[0], flux[0] = 300, 200, 1e13
    glaring = replace(clean, stars=replace(stars, x_px=x, y_px=y, flux_e=flux))
    assert seen(clean, ghost) > 3
    assert np.isnan(seen(glaring, ghost))


def test_faint_stars_are_noise_for_a_trail():
    # Monte Carlo of the closed form: lines laid over unit-noise pictures with unmasked stars, each
    # filtered with a Gaussian as wide as the star, scatter as `left_by_stars` says.
    rng = np.random.default_rng(1)
    sigma_px, flux, stars, side, pictures = 1.6, 25.0, 300, 160, 24
    axis = np.arange(side)
    weight = np.exp(-0.5 * ((axis - side / 2) / sigma_px) ** 2)
    sums = []
    for _ in range(pictures):
        picture = rng.normal(size=(side, side))
        for x, y in rng.uniform(0, side, (stars, 2)):
            star = (
                np.exp(-0.5 * ((axis - x) / sigma_px) ** 2)[None]
                * np.exp(-0.5 * ((axis - y) / sigma_px) ** 2)[:, None]
            )
            picture += flux / (2 * np.pi * sigma_px**2) * star
        columns = picture.sum(0)
        for shift in range(-50, 51, 10):
            sums.append((np.roll(weight, shift) * columns).sum())
    white = np.sqrt(side * (weight**2).sum())
    grain = stars * flux**2 / side**2 / np.sqrt(2)
    # 264 sums, those of one picture partly alike: the spread is known to some 8 %.
    assert np.std(sums) / white == pytest.approx(np.sqrt(1 + grain), rel=0.2)


def test_a_trail_in_an_empty_field_keeps_its_strength(clean):
    assert left_by_stars(clean, 2**-0.5) == pytest.approx(1, abs=1e-3)
    rng = np.random.default_rng(2)
    x, y = rng.uniform(0, (600, 400), (4000, 2)).T
    stars = StarList(x, y, np.full(4000, 50 * clean.noise_e), np.full(4000, 0.7))
    dense = replace(clean, stars=stars)
    assert left_by_stars(dense, 2**-0.5) < 0.95


def test_spikes_are_none_without_bars_and_hidden_behind_vanes(clean):
    telescope = replace(
        clean.rig.telescope, vanes=4, vane_angle_deg=0.0, vane_mm=2.0, obstruction=0.3
    )
    stars = clean.stars
    x, y, flux = stars.x_px.copy(), stars.y_px.copy(), stars.flux_e.copy()
    x[0], y[0], flux[0] = 300, 200, 5e7
    base = replace(
        clean,
        rig=replace(clean.rig, telescope=telescope),
        stars=replace(stars, x_px=x, y_px=y, flux_e=flux),
    )
    odd = replace(base, bars=(Bar(31.0, 0.03, 0.1, False),))
    behind = replace(base, bars=(Bar(90.0, 0.03, 0.1, False),))
    width = np.full(4, base.good_fwhm_px)
    faint = replace(odd, stars=replace(odd.stars, flux_e=odd.stars.flux_e * 1e-5))
    found = spike_strengths(plan_spikes([base, odd, behind, faint]), width)
    assert found[0] == 0
    assert found[1] > 10
    assert np.isnan(found[2])
    assert found[3] < 1


def barred(clean, flux_e):
    """The clean scene with one bar before one bright star of that many electrons."""
    stars = clean.stars
    x, y, flux = stars.x_px.copy(), stars.y_px.copy(), stars.flux_e.copy()
    x[0], y[0], flux[0] = 300, 200, flux_e
    lit = replace(stars, x_px=x, y_px=y, flux_e=flux)
    return replace(clean, stars=lit, bars=(Bar(31.0, 0.03, 0.1, False),), extinction_mag=0.0)


def with_vanes(scene, vanes):
    telescope = replace(
        scene.rig.telescope, vanes=vanes, vane_angle_deg=0.0, vane_mm=2.0, obstruction=0.3
    )
    return replace(scene, rig=replace(scene.rig, telescope=telescope))


def strength_with(scene, *bars):
    plan = plan_spikes([replace(scene, bars=bars)])
    return float(spike_strengths(plan, np.full(1, scene.good_fwhm_px))[0])


def test_of_two_bars_only_the_one_beside_the_vanes_counts(clean):
    scene = with_vanes(barred(clean, 1e5 * clean.noise_e), 4)
    wide_behind, thin = Bar(90.0, 0.06, 0.1, False), Bar(31.0, 0.02, 0.1, False)
    both, alone = strength_with(scene, wide_behind, thin), strength_with(scene, thin)
    assert both == pytest.approx(alone, rel=0.3)
    assert np.isnan(strength_with(scene, wide_behind))


def test_a_square_cross_on_a_lens_is_nobodys_to_name(clean):
    """It is the star of a telescope with four vanes; two bars that cross askew are not, nor are a
    wide one and a thin one."""
    scene = with_vanes(barred(clean, 1e5 * clean.noise_e), 0)
    first = Bar(31.0, 0.03, 0.1, False)
    assert np.isnan(strength_with(scene, first, replace(first, angle_deg=116.0)))
    assert strength_with(scene, first, replace(first, angle_deg=81.0)) > 3
    assert strength_with(scene, first, replace(first, angle_deg=121.0, width=0.01)) > 3


def test_a_brighter_star_drowns_its_spikes_in_its_own_glare(clean):
    """Photon noise alone would raise the S/N with the root of the light for ever: by 10 for each
    hundredfold. The grain of the halo bounds it by the contrast of spike and halo over GRAIN."""
    scene = with_vanes(clean, 0)
    well = replace(scene.rig.camera, full_well_e=1e12, bits=60)
    scene = replace(scene, rig=replace(scene.rig, camera=well))
    bar = Bar(31.0, 0.03, 0.1, False)
    found = [strength_with(barred(scene, light * scene.noise_e), bar) for light in (1e5, 1e7, 1e9)]
    assert found[0] < found[1] < 6 * found[0]
    assert found[2] == pytest.approx(found[1], rel=0.2)


def test_burnt_pixels_show_no_spike(clean):
    scene = with_vanes(barred(clean, 1e7 * clean.noise_e), 0)
    bar = Bar(31.0, 0.03, 0.1, False)
    camera = scene.rig.camera
    free = replace(camera, full_well_e=1e12, bits=60)
    tiny = replace(camera, full_well_e=scene.sky_e + 1.0)
    whole, burnt = (
        strength_with(replace(scene, rig=replace(scene.rig, camera=c)), bar) for c in (free, tiny)
    )
    assert whole > 3
    assert burnt < 0.2 * whole


@pytest.mark.parametrize("seed", range(6))
def test_the_glare_of_bright_stars_is_that_of_the_stars_as_rendered(seed):
    """A star alone in the frame, its light by the renderer, 8 to 16 FWHM out. The wings of
    turbulent air fall as r^(-11/3) (Racine 1996, PASP 108, 699; from memory)."""
    scene = draw_scenes(50 + seed, 1, 1, 400, 400, [], cfa=False)[0]
    stars = StarList(np.array([200.0]), np.array([200.0]), np.array([1e7]), np.array([0.7]))
    alone = replace(
        scene,
        stars=stars,
        shift_px=(0.0, 0.0),
        vignetting=None,
        dust=None,
        nebula=None,
        galaxies=None,
        gradient=None,
    )
    dark = replace(alone, stars=replace(stars, flux_e=np.zeros(1)))
    light = expected_electrons(plan([alone, dark])).double().numpy()
    star = light[0] - light[1]
    y, x = np.mgrid[:400, :400] - 200.0
    away = np.hypot(x, y) / scene.good_fwhm_px
    assumed = strength._glare_e(alone, np.arange(400.0), np.arange(400.0))
    ring = (away > 8) & (away < 16) & (np.abs(x) < 180) & (np.abs(y) < 180)
    assert 0.15 < assumed[ring].sum() / star[ring].sum() < 6


def test_spikes_fade_with_the_star_that_air_and_clouds_dim(clean):
    full = barred(clean, 1e5 * clean.noise_e)
    dimmed = replace(full, extinction_mag=2.0)
    # Pogson: two magnitudes leave a share of 10^-0.8. The star dimmed in the list is the same.
    fainter = barred(clean, 1e5 * clean.noise_e * 10**-0.8)
    bright, dim, same = spike_strengths(
        plan_spikes([full, dimmed, fainter]), np.full(3, clean.good_fwhm_px)
    )
    assert dim == pytest.approx(same, rel=1e-3)
    # Between the sky's noise, where S/N goes with the light, and the star's own, with its root.
    assert 10**-0.8 <= dim / bright <= 10**-0.4


def test_spikes_that_a_picture_drowns_are_nobodys_to_name(clean, monkeypatch):
    width = np.full(1, clean.good_fwhm_px)

    def strength_of(flux_e, kept):
        monkeypatch.setattr(pictures, "signal_kept", lambda scene: kept)
        return float(spike_strengths(plan_spikes([barred(clean, flux_e)]), width)[0])

    flux_e = 1e5 * clean.noise_e
    flux_e *= 4 / strength_of(flux_e, 1.0)
    just = strength_of(flux_e, 1.0)
    assert 3 < just < 5.5  # 3 sigma count (the vocabulary)
    assert np.isnan(strength_of(flux_e, 0.5))
    assert strength_of(30 * flux_e, 0.5) > 20


def test_the_recipe_reaches_from_hidden_to_glaring_spikes(clean):
    found = []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        scene = RECIPES["diffraction_spikes"](clean, [2.0, 40.0][seed % 2], rng)
        row = strength.strengths([scene])[0]
        found.append(row[INDEX["diffraction_spikes"]])
    weak, strong = np.nanmedian(found[::2]), np.nanmedian(found[1::2])
    # Asked for 2 and 40 sigma: within a factor of four, and in order.
    assert 0.5 < weak < 8
    assert 10 < strong < 160


def test_the_residual_of_guiding_has_the_variance_asked_for_along_its_axis_only():
    for angle in (0.3, 2.0):
        path = tracking.residual(np.random.default_rng(4), 0.7, angle)
        along = path @ [np.cos(angle), np.sin(angle)]
        across = path @ [-np.sin(angle), np.cos(angle)]
        assert along.mean() == pytest.approx(0, abs=1e-9)
        assert along.std() == pytest.approx(0.7, rel=1e-6)
        assert np.abs(across).max() < 1e-9
