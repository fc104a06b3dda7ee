"""Recipes whose shape follows from geometry."""

from dataclasses import replace

import numpy as np
import pytest
import torch
from scipy.ndimage import binary_fill_holes, center_of_mass, gaussian_filter, label

from synth import recipes
from synth.optics import COMA_X, COMA_Y, DEFOCUS, TERMS, pupil_amplitude, spread
from synth.scene import draw_run


def obstructed_scene():
    for run in range(100):
        scene = draw_run(4, run, 1, 128, 128, cfa=False)[0]
        if scene.rig.telescope.obstruction > 0:
            return scene
    raise AssertionError("no obstructed telescope in 100 rigs")


def test_coma_moves_the_hole_of_a_donut():
    # Ray optics, in units of the donut's radius 2 W20 with d = W31 / (2 W20): the ring of pupil
    # radius rho lands on rho e^it + d rho^2 (2 + e^2it): a circle about 2 d rho^2 whose area's
    # centroid lies at 3 d rho^2, nearly. Rim and hole are then between `share` and 1.5 `share` of
    # a diameter apart; diffraction, some 3 of 110 lambda / D, fills the side of the hole.
    eps, focus, share = 0.4, 4.0, 0.1
    coma = 0.816 * share * focus / (1 - eps**2)
    waves = torch.zeros(1, 1, len(TERMS))
    waves[..., DEFOCUS], waves[..., COMA_X] = focus, coma
    none = torch.zeros(1, 1)
    amplitude = pupil_amplitude(512, torch.tensor([eps]), none, none, none, none)
    light = spread(amplitude, waves, torch.tensor([0.8]), 512)[0, 0].numpy()
    light = gaussian_filter(light, 2)
    radius_px = 4 * 2 * 3**0.5 * focus / 0.8
    even = light.sum() / (np.pi * radius_px**2 * (1 - eps**2))
    bright = light > 0.2 * even
    disc = binary_fill_holes(bright)
    holes, count = label(disc & ~bright)
    biggest = 1 + int(np.argmax([(holes == k).sum() for k in range(1, count + 1)]))
    rim_y, rim_x = center_of_mass(disc)
    hole_y, hole_x = center_of_mass(holes == biggest)
    diameter = 2 * np.sqrt(disc.sum() / np.pi)
    assert diameter == pytest.approx(2 * radius_px, rel=0.05)
    assert 0.9 * share < abs(hole_x - rim_x) / diameter < 1.5 * share
    assert abs(hole_y - rim_y) / diameter < 0.02


def test_a_lopsided_donut_is_miscollimated_and_not_scored_on_focus():
    scene = obstructed_scene()
    for seed in range(20):
        donut = recipes._lopsided_donut(scene, 3.0, np.random.default_rng(seed))
        assert donut.recipe == ("miscollimation",)
        assert np.isnan(donut.strength["defocus"])
        change = np.array(donut.waves) - np.array(scene.waves)
        coma = np.hypot(change[COMA_X], change[COMA_Y])
        # W31 (1 - eps^2) / (2 W20) from the Noll terms by hand: 3 sqrt 8 over 4 sqrt 3.
        share = 1.2247 * coma / abs(change[DEFOCUS]) * (1 - scene.rig.telescope.obstruction**2)
        # The fault counts from 15 % of the diameter.
        assert 0.149 < share < 0.351


def test_a_fault_of_vignetting_is_a_frame_without_its_flat():
    scene = replace(draw_run(4, 1, 1, 128, 128, cfa=False)[0], processing="flat_fielded")
    scene = replace(scene, flat=scene.vignetting)
    faulty = recipes.vignetting(scene, 50.0, np.random.default_rng(1))
    assert faulty.flat is None and faulty.strength["vignetting"] == 50.0


def test_a_ghost_asks_for_a_bright_star_of_its_own():
    scene = draw_run(4, 2, 1, 256, 256, cfa=False)[0]
    brighter = 0
    for seed in range(12):
        ghostly = recipes.reflection(scene, 10.0, np.random.default_rng(seed))
        source = ghostly.reflection.source_px
        if source is None:
            assert ghostly.stars is scene.stars
            continue
        x, y = (source[i] - scene.shift_px[i] for i in (0, 1))
        away = np.hypot(ghostly.stars.x_px - x, ghostly.stars.y_px - y)
        if away.min() > 3:
            continue  # a star that the frame does not show
        ghost = ghostly.reflection.ghosts[0]
        area = np.pi * ghost.outer_px**2 * (1 - ghost.hole**2)
        light = ghost.brightness * scene.sky_e * area
        # Two surfaces give back 0.05 to 3 % of the star at most (uncoated glass and sensor).
        assert ghostly.stars.flux_e[away.argmin()] >= min(5e8, light / 0.03) * 0.999
        brighter += 1
    assert brighter >= 3
