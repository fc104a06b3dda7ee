"""Borders of sensors: where no light falls there is bias and read noise."""

from dataclasses import replace

import numpy as np
import pytest
import torch

from synth.edges import DeadLine, Edges, darken, draw_edges
from synth.generate import render_scenes
from synth.scene import draw_run


def through(edge: Edges, width: int = 60, height: int = 40) -> np.ndarray:
    light = torch.ones(1, height, width)
    darken(light, [edge])
    return light[0].numpy()


def test_strips_get_no_light_and_the_rest_all_of_it():
    light = through(Edges(left_px=5, right_px=3, top_px=2, bottom_px=7))
    assert light[2:-7, 5:-3].min() == 1
    assert light.sum() == (40 - 2 - 7) * (60 - 5 - 3)


def test_no_strip_changes_nothing():
    assert through(Edges()).min() == 1


@pytest.mark.parametrize("side", [0, 1, 2, 3])
def test_a_rim_fades_exponentially_from_its_side(side):
    light = through(Edges(rim=2.0, rim_px=3.0, rim_side=side, left_px=4))
    turned = {0: light[20, 4:], 1: light[20, ::-1], 2: light[:, 30], 3: light[::-1, 30]}[side]
    np.testing.assert_allclose(turned[:10], 1 + 2 * np.exp(-np.arange(10) / 3.0), rtol=1e-5)
    assert turned[-5 if side != 1 else -6] == pytest.approx(1.0)


@pytest.mark.parametrize("corner", [0, 1, 2, 3])
def test_a_cut_corner_takes_the_area_of_its_triangle(corner):
    edge = Edges(corner=corner, corner_x_px=20.0, corner_y_px=16.0, corner_soft_px=3.0)
    light = through(edge)
    # Half of 20 x 16; pixel centres at whole numbers add half a pixel on both legs: 160 + 18.
    assert 40 * 60 - light.sum() == pytest.approx(160 + 18, rel=0.05)
    y, x = [(0, 0), (0, -1), (-1, 0), (-1, -1)][corner]
    assert light[y, x] == 0
    assert light[-1 - y if y == 0 else 0, x] == 1


def test_dead_lines():
    column = DeadLine(10, 5, 30, 0.25)
    row = DeadLine(33, 0, 60, 0.0, is_row=True)
    light = through(Edges(dead=(column, row)))
    assert light[5:30, 10].tolist() == [0.25] * 25
    assert light[:5, 10].min() == 1 and light[33].max() == 0


def test_a_ramp_adds_and_fades():
    light = through(Edges(ramp_e=50.0, ramp_px=10.0))
    assert light[7, 0] == pytest.approx(51.0)
    assert light[7, 10] == pytest.approx(1 + 50 * np.exp(-1), rel=1e-5)


def test_overscan_of_a_frame_holds_bias_and_read_noise():
    scene = replace(
        draw_run(9, 1, 1, 128, 256, cfa=False)[0],
        processing="raw", edges=Edges(right_px=20), amp_glow=None, hot_share=0.0, warm_share=0.0,
        dead_share=0.0, bad_columns=0, row_noise_e=0.0, column_noise_e=0.0, temperature_c=-60.0,
        smear_share=0.0,
    )  # fmt: skip
    camera = scene.rig.camera
    strip = render_scenes([scene], 1, 0).pixels[0, :, -20:].numpy()
    noise = np.hypot(camera.read_noise_e / camera.gain_e_adu, 12**-0.5)
    # 5,120 pixels know their mean to noise / 72 and their sigma to 1 %; cosmic rays and the last
    # dark electrons are left in: medians.
    assert np.median(strip) == pytest.approx(camera.offset_adu, abs=max(1.0, 0.1 * noise))
    low, high = np.quantile(strip, (0.1587, 0.8413))
    assert (high - low) / 2 == pytest.approx(noise, abs=max(0.6, 0.05 * noise))


def test_borders_are_drawn_within_the_frame_and_stay_odd_ones_out():
    rng = np.random.default_rng(3)
    drawn = [draw_edges(rng, 160, 120, 500.0) for _ in range(400)]
    # Most sensors are plain, some are not: 400 draws scatter by 2 %.
    assert 0.55 < np.mean([edge is None for edge in drawn]) < 0.93
    for edge in drawn:
        if edge is None:
            continue
        assert edge.left_px + edge.right_px < 40 and edge.top_px + edge.bottom_px < 40
        # What the readout adds must not pass for a gradient: that counts from 15 % of the sky.
        assert edge.ramp_e <= 0.075 * 500
        light = torch.full((1, 120, 160), 500.0)
        darken(light, [edge])
        assert light.isfinite().all() and light.min() >= 0
