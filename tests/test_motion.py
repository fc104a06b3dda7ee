"""Pointing during a sub against closed forms: moments of paths, elongation, turning fields.

Variance added to a star: a line of length L gives L^2 / 12, a sine of amplitude A gives A^2 / 2, a
jump d for a share f of the time f (1 - f) d^2 (moments of the uniform, arcsine and two-point
distributions).
"""

from dataclasses import replace

import numpy as np
import pytest
import torch
from bare_star import axis, whole_star

from synth import tracking
from synth.generate import draw_scenes
from synth.starlight import zone_path
from synth.strength import elongation

TIME = (np.arange(tracking.STEPS) + 0.5) / tracking.STEPS


@pytest.fixture(scope="module")
def scene():
    """A clean scene with nothing moving."""
    return replace(draw_scenes(5, 0, 1, 2000, 1400, faults=())[0], path=tracking.still())


def along_x(values: np.ndarray) -> np.ndarray:
    return np.stack((values, np.zeros_like(values)), 1)


# The first 13 of 128 steps are a share of 0.1016.
MOTIONS = [
    ("line 3", along_x(3 * (TIME - 0.5)), 3.0, 1.209),
    ("line 6", along_x(6 * (TIME - 0.5)), 3.0, 1.688),
    ("line 1.25", along_x(1.25 * (TIME - 0.5)), 2.5, 1.056),
    ("sine 1", along_x(np.sin(2 * np.pi * 16 * TIME)), 3.0, 1.144),
    ("sine 2", along_x(2 * np.sin(2 * np.pi * 16 * TIME)), 3.0, 1.494),
    ("jump half", along_x(np.where(TIME < 0.5, 0.0, 4.0)), 3.0, 1.861),
    ("jump tenth", along_x(np.where(TIME < 13 / 128, 4.0, 0.0)), 3.0, 1.374),
]


@pytest.mark.parametrize(("name", "path", "fwhm", "ratio"), MOTIONS, ids=[m[0] for m in MOTIONS])
def test_elongation_of_labels(name, path, fwhm, ratio):
    # sqrt(1 + added / sigma^2), sigma = FWHM / 2.354820. 128 steps make L^2 (1 - 1/128^2) / 12, and
    # 13/128 for a tenth changes f (1 - f) by 1.4 %, the ratio by 0.4 %.
    across_and_along = np.tile([0.0, path[:, 0].var()], (1, 9, 1))
    assert elongation(across_and_along, np.array([fwhm])) == pytest.approx([ratio], rel=0.005)


def second_moment_added(path: np.ndarray) -> np.ndarray:
    """2 x 2 second moments that a path adds to a rendered star, px^2; and where its centre went.

    From the transfers of the moved and the still star at the lowest frequencies: their ratio is
    exp(-2 pi^2 f^T M f) for small f, whatever the star's own wings do.
    """
    still, moved = (np.fft.fft2(whole_star(0.02, 3.0, path=p)) for p in (None, path))
    f = 1 / 64
    ratio = np.log(np.abs(moved / still))
    xx, yy = (-ratio[0, 1] / (2 * np.pi**2 * f**2), -ratio[1, 0] / (2 * np.pi**2 * f**2))
    both = -ratio[1, 1] / (2 * np.pi**2 * f**2)
    return np.array([[xx, (both - xx - yy) / 2], [(both - xx - yy) / 2, yy]])


@pytest.mark.parametrize(("name", "path", "fwhm", "ratio"), MOTIONS, ids=[m[0] for m in MOTIONS])
def test_rendered_star_has_the_paths_moments(name, path, fwhm, ratio):
    moments = second_moment_added(path - path.mean(0))
    # The next term is (2 pi f)^2 times the fourth moment over the second, some 1 px^2: 1 %.
    assert moments[0, 0] == pytest.approx(path[:, 0].var(), rel=0.02)
    assert moments[1, 1] == pytest.approx(0.0, abs=0.01)


def test_a_star_of_two_dwells_leans_to_the_longer():
    # The centre of light moves by f d from the longer dwell: 0.4 px for a tenth at 4 px.
    path = along_x(np.where(TIME < 13 / 128, 4.0, 0.0))
    light = whole_star(0.02, 3.0, path=path)
    x = axis(len(light), 1 / 4)
    inner = np.abs(x) < 12  # beyond it the halo of the seeing weighs on the mean
    still = whole_star(0.02, 3.0)
    moved = light.sum(0)[inner] @ x[inner] / light.sum(0)[inner].sum()
    home = still.sum(0)[inner] @ x[inner] / still.sum(0)[inner].sum()
    assert moved - home == pytest.approx(4.0 * 13 / 128, rel=0.03)


@pytest.mark.parametrize("seed", range(12))
def test_drawn_drifts_have_the_variance_of_a_line(seed):
    # Line, curve and gusts are drawn to L^2 / 12 along the wanted angle. 128 half-normal pushes
    # know their variance to 20 % (four-sigma 70 %, so those are held to half and double).
    angle = 0.3
    path = tracking.drift(np.random.default_rng(seed), 6.0, angle)
    assert path.mean(0) == pytest.approx([0.0, 0.0], abs=1e-12)
    main = path @ [np.cos(angle), np.sin(angle)]
    steady = np.allclose(np.diff(main), np.diff(main)[0])
    assert main.var() == pytest.approx(3.0, rel=0.02 if steady else 0.5)


@pytest.mark.parametrize("seed", range(12))
def test_drawn_vibrations_have_the_variance_of_a_sine(seed):
    # A^2 / 2 along the axis; 128 samples of a dozen cycles or more.
    path = tracking.vibration(np.random.default_rng(seed), 2.0, 0.7)
    main = path @ [np.cos(0.7), np.sin(0.7)]
    assert main.var() == pytest.approx(2.0, rel=0.02)


def test_guiding_loss_is_as_long_as_it_says():
    # Dwells and slews of 10 px in all; ringing, which swings many times but draws the star out no
    # further, must not count. Dwells shorter than a sixteenth of the sub lose some length, slow
    # sideways steps add some: nine in ten within 15 %, the label's own levels being 100 % apart.
    lengths = [
        tracking.path_length_px(tracking.guiding_loss(np.random.default_rng(seed), 10.0, 0.4))
        for seed in range(300)
    ]
    assert np.median(lengths) == pytest.approx(10.0, rel=0.03)
    assert np.mean(np.abs(np.array(lengths) - 10.0) < 1.5) > 0.9
    assert max(lengths) < 20.0


def test_path_length_of_a_triangle():
    # 3-4-5, dwelling at each corner: there, up and back.
    corners = np.repeat(np.array([[0.0, 0.0], [3.0, 0.0], [3.0, 4.0], [0.0, 0.0]]), 32, axis=0)
    assert tracking.path_length_px(corners) == pytest.approx(12.0)


def test_polar_error_turns_the_field():
    # The field turns by at most e omega t / cos(dec) about the guide star: 5 arcmin of error,
    # 300 s, declination 60: 13.1 arcsec, which moves a star at 2000 px by 0.127 px (geometry of
    # small turns; omega = 15.04107 arcsec/s).
    turn_arcsec = 5 * 60 * np.deg2rad(15.04107 / 3600) * 300 / np.cos(np.deg2rad(60))
    assert turn_arcsec == pytest.approx(13.1, abs=0.05)
    assert np.deg2rad(turn_arcsec / 3600) * 2000 == pytest.approx(0.127, abs=1e-3)
    base = draw_scenes(5, 0, 1, 2000, 1400, faults=())[0]
    scene = replace(
        base,
        width_px=4000,
        height_px=3000,
        twist_deg=turn_arcsec / 3600,
        twist_centre=(0.0, 0.0),
        path=tracking.still(),
    )
    path = zone_path(scene, 1.0, 0.0)  # 2000 px to the right of the guide star
    assert np.ptp(path[:, 1]) == pytest.approx(0.127, rel=0.01)
    assert np.ptp(path[:, 0]) == pytest.approx(0.0, abs=1e-9)
    # At the guide star nothing moves; far from it arcs stand across the line to it.
    assert np.abs(zone_path(scene, 0.0, 0.0)).max() == 0.0
    slanted = zone_path(replace(scene, twist_deg=1.0), 0.5, -0.5)
    start, end = slanted[0], slanted[-1]
    away = np.array([1000.0, -750.0])
    turned = np.array([[0, -1], [1, 0]]) @ away * np.deg2rad(1.0)
    assert end - start == pytest.approx(turned, rel=1e-6)


def test_turn_is_a_rotation_of_the_sky():
    # For one degree the path's small-angle ends lie within 1e-4 of those of an exact rotation.
    base = draw_scenes(5, 0, 1, 2000, 1400, faults=())[0]
    scene = replace(base, twist_deg=1.0, twist_centre=(0.2, -0.1), path=tracking.still())
    place = np.array([0.8 * 1000, -0.6 * 700]) - np.array([0.2 * 1000, -0.1 * 700])
    half = np.deg2rad(0.5)
    rotate = np.array([[np.cos(half), -np.sin(half)], [np.sin(half), np.cos(half)]])
    path = zone_path(scene, 0.8, -0.6)
    assert path[-1] == pytest.approx(rotate @ place - place, abs=1e-4 * np.hypot(*place))
    assert path[0] == pytest.approx(rotate.T @ place - place, abs=1e-4 * np.hypot(*place))


def test_image_scale(scene):
    # 206.265 p / f: 3.76 um at 530, 1000 mm and 9 um at 2000 mm; binning doubles it.
    for pixel_um, focal_mm, scale in ((3.76, 530, 1.4633), (3.76, 1000, 0.7756), (9, 2000, 0.9282)):
        camera = replace(scene.rig.camera, pixel_um=pixel_um, binning=1)
        telescope = replace(scene.rig.telescope, focal_mm=float(focal_mm))
        rig = replace(scene.rig, camera=camera, telescope=telescope)
        assert rig.scale_arcsec == pytest.approx(scale, abs=5e-5)
        twice = replace(rig, camera=replace(camera, binning=2))
        assert twice.scale_arcsec == pytest.approx(2 * scale, abs=1e-4)


def test_paths_move_stars_the_right_way():
    # x grows to the right (first axis of the file), y down the rows.
    for x, y in ((3.0, 0.0), (0.0, 3.0)):
        light = whole_star(0.02, 2.0, path=np.full((tracking.STEPS, 2), 1.0) * [x, y])
        row, column = np.unravel_index(light.argmax(), light.shape)
        assert ((column - 128) / 4, (row - 128) / 4) == (x, y)
    assert torch.is_tensor(tracking.path_otf(torch.zeros(1, 4, 2), torch.zeros(2), torch.zeros(3)))


def test_no_pitch_makes_a_vibration_of_a_few_points():
    """At even steps some pitches would meet the same four or five phases for ever: a star with so
    many cores. All of them draw a line: no gap in it is wider than a fifth of its length."""
    gaps = []
    for seed in range(300):
        path = tracking.vibration(np.random.default_rng(seed), 2.0, 0.0, "steady")
        along = np.sort(path[:, 0])
        gaps.append(np.diff(along).max() / np.ptp(along))
    assert max(gaps) < 0.25
    assert np.quantile(gaps, 0.95) < 0.12
