"""Noise and mosaic of whole rendered frames against the photon-transfer law and closed forms."""

from dataclasses import replace

import numpy as np
import pytest
import torch
from frame_of_one_rig import SIDE, camera, expected, rig, scene

from synth.generate import render_scenes
from synth.rig import CFA_ORDERS
from synth.shading import draw_vignetting, vignetting_map

SLOPE_LEVELS_E = (300.0, 1000.0, 3000.0, 9000.0)


def even(sky_e: float, gain: float = 0.5, read_noise: float = 3.0, **changes):
    """A scene whose sky holds so many electrons per pixel and sub."""
    mine = rig(
        camera=camera(gain_e_adu=gain, read_noise_e=read_noise, full_well_e=5e4, offset_adu=600.0)
    )
    exposure_s = sky_e / mine.sky_e_s(20.0)
    return scene(rig=mine, sky_mag=20.0, exposure_s=exposure_s, **changes)


def pair(one, seed: int = 1) -> np.ndarray:
    """Two frames of one scene that differ in noise only, ADU."""
    return render_scenes([one, one], seed, 0).pixels.double().numpy()


def clipped(values: np.ndarray) -> np.ndarray:
    """Without the few pixels that cosmic rays have hit: beyond six sigma."""
    middle = np.median(values)
    sigma = 1.4826 * np.median(np.abs(values - middle))
    return values[np.abs(values - middle) < 6 * max(sigma, 0.5)]


@pytest.mark.parametrize("gain", [0.25, 1.5])
@pytest.mark.parametrize("sky_e", [20.0, 400.0, 4000.0])
def test_photon_transfer_of_whole_frames(gain, sky_e):
    # Difference of two frames: sqrt 2 sigma, sigma^2 = mean / g + (R / g)^2 + 1/12 in ADU (Janesick
    # 2001, from memory; rounding 1/sqrt 12, ACS Data Handbook 4.2). The pixels' own response falls
    # out. 36,864 pixels know a variance to 0.74 %: four sigma 3 %.
    frames = pair(even(sky_e, gain))
    signal = np.median(frames) - 600.0
    assert signal == pytest.approx(sky_e / gain, rel=0.01, abs=1.0)
    variance = clipped(frames[0] - frames[1]).var() / 2
    assert variance == pytest.approx(sky_e / gain**2 + (3.0 / gain) ** 2 + 1 / 12, rel=0.03)


@pytest.mark.parametrize(
    "kind", ["raw", "shifted", "dark_subtracted", "flat_fielded", "normalised"]
)
def test_facts_of_reduced_frames_obey_the_law(kind):
    # Gain, read noise and offset that come with the file must still tell signal and noise: the same
    # law, the same tolerance. A converter shifted by f rounds in steps of f. What a master dark
    # adds is the same in both frames and falls out of their difference; the dark current is gone
    # from the level of a reduced file and not from its noise.
    mine = rig(
        camera=camera(
            gain_e_adu=2.0,
            read_noise_e=3.0,
            full_well_e=5e4,
            offset_adu=300.0,
            bits=12,
            dark_e_s=0.5,
        )
    )
    one = scene(rig=mine, sky_mag=20.0, exposure_s=400 / mine.sky_e_s(20.0), processing=kind)
    assert one.dark_e > 0.5 * one.sky_e  # enough to tell where it went
    batch = render_scenes([one, one], 1, 0)
    frames = batch.pixels.double().numpy()
    facts = {name: float(values[0]) for name, values in batch.physical.items()}
    gain, step = facts["gain_e_adu"], 2.0 / facts["gain_e_adu"]
    variance = clipped(frames[0] - frames[1]).var() / 2
    law = (one.sky_e + one.dark_e + facts["read_noise_e"] ** 2) / gain**2 + step**2 / 12
    assert variance == pytest.approx(law, rel=0.035)
    signal_e = (np.median(frames) - facts["offset_adu"]) * gain
    left = 0.0 if kind in ("dark_subtracted", "flat_fielded") else one.dark_e
    # Medians of whole numbers are good to a step of 2 e, a master's grain to 0.1 e.
    assert signal_e == pytest.approx(one.sky_e + left, abs=2.5)


@pytest.mark.parametrize("dark_e_s", [0.0, 0.5])
def test_a_flat_leaves_an_even_sky_whatever_the_dark_current(dark_e_s):
    # Dividing what is over the pedestal by the flat; with the dark current still in it corners
    # would be left brighter by dark (1/t - 1). 2,000 pixels of sigma 30 e (at t = 0.5): 0.7 e.
    shade = draw_vignetting(np.random.default_rng(1), 55.0, SIDE, SIDE)
    mine = rig(camera=camera(offset_adu=300.0, dark_e_s=dark_e_s))
    one = scene(
        rig=mine,
        sky_mag=20.0,
        exposure_s=400 / mine.sky_e_s(20.0),
        processing="flat_fielded",
        vignetting=shade,
        flat=shade,
    )
    batch = render_scenes([one], 1, 0)
    level = (batch.pixels[0].double().numpy() - float(batch.physical["offset_adu"][0])) * 0.5
    axis = np.arange(SIDE, dtype=np.float32)
    through = vignetting_map([shade], *(torch.from_numpy(axis) for _ in range(2)))[0].numpy()
    dark, light = through < 0.65, through > 0.95
    assert dark.sum() > 2000 and light.sum() > 2000
    assert np.median(level[light]) == pytest.approx(400, abs=4)
    assert np.median(level[dark]) == pytest.approx(400, abs=6)


def test_example_of_the_photon_transfer_law():
    # g 0.25 e/ADU and 1000 e: 4000 ADU, sigma 126.5 ADU without read noise.
    frames = pair(even(1000.0, 0.25, 1e-3))
    assert np.median(frames) - 600 == pytest.approx(4000, abs=4)
    assert np.sqrt(clipped(frames[0] - frames[1]).var() / 2) == pytest.approx(126.5, rel=0.015)


def test_slopes_of_the_photon_transfer_curve():
    # log sigma against log signal: 1/2 where photons rule, 0 where read noise does, 1 where the
    # pixels' unlike response does. From 300 to 9000 e the curve of R 0.1 e is straight: four points
    # of 0.37 % give the slope to 0.003; 0.02.
    sigma = [
        np.sqrt(clipped(np.subtract(*pair(even(level, 0.5, 0.1)))).var() / 2)
        for level in SLOPE_LEVELS_E
    ]
    slope = np.polyfit(np.log(SLOPE_LEVELS_E), np.log(sigma), 1)[0]
    assert slope == pytest.approx(0.5, abs=0.02)
    low = [clipped(np.subtract(*pair(even(level, 0.5, 30.0)))).std() for level in (2.0, 8.0)]
    assert np.log(low[1] / low[0]) / np.log(4) == pytest.approx(0.0, abs=0.02)
    # What two frames share beyond their mean: response times signal.
    shared = []
    for level in (3000.0, 30000.0):
        first, second = pair(even(level, 1.0, 0.1))
        good = np.abs(first - second) < 8 * np.sqrt(2 * level)
        shared.append(np.cov(first[good], second[good])[0, 1])
    assert 0.5 * np.log(shared[1] / shared[0]) / np.log(10) == pytest.approx(1.0, abs=0.1)
    # 0.2 to 1 % per pixel (common practice).
    assert 0.002 < np.sqrt(shared[1]) / 30000 < 0.011


def test_noise_of_rounding():
    # 1/sqrt 12 = 0.288675 ADU where other noise spreads over a step: 1 e of read noise at
    # 1.5 e/ADU; 36,864 pixels, 3 %.
    frames = pair(even(1e-3, 1.5, 1.0))
    expected_variance = (1.0 / 1.5) ** 2 + 0.288675**2
    assert (frames[0] - frames[1]).var() / 2 == pytest.approx(expected_variance, rel=0.03)


def red_only(order: str, share: tuple[float, float, float] = (1.0, 0.0, 0.0)):
    """A frame through a line filter: what red, green and blue pixels see of it."""
    seen = dict(zip("RGB", share, strict=True))
    response = tuple(seen[name] for name in order)
    mine = rig(camera=camera(cfa=order))
    return scene(rig=mine, exposure_s=600.0, plane_response=response)


@pytest.mark.parametrize("order", CFA_ORDERS)
def test_places_of_the_mosaic(order):
    # A 2 x 2 cell with one red, one blue and two green pixels (US patent 3,971,065).
    light = expected(red_only(order, (1.0, 0.6, 0.3)))[0]
    top = np.median(light[0::2, 0::2]) / {"R": 1.0, "G": 0.6, "B": 0.3}[order[0]]
    for place, colour in enumerate(order):
        part = light[place // 2 :: 2, place % 2 :: 2]
        wanted = {"R": 1.0, "G": 0.6, "B": 0.3}[colour]
        assert np.median(part) / top == pytest.approx(wanted, rel=1e-3)
    assert sorted(order) == ["B", "G", "G", "R"]
    # Turned over in y, RGGB becomes GBRG where the height is even.
    if order == "RGGB":
        turned = expected(red_only("GBRG", (1.0, 0.6, 0.3)))[0]
        inner = np.s_[10:-10, 10:-10]
        assert np.median(np.abs(light[::-1] - turned)[inner]) < 1e-3 * top


@pytest.mark.parametrize(
    ("share", "rms_over_mean"), [((1.0, 0.0, 0.0), np.sqrt(3)), ((0.55, 0.04, 0.02), 1.378)]
)
def test_grid_of_a_line_on_a_colour_sensor(share, rms_over_mean):
    # Ideal red-only light: mean R / 4 and rms over mean sqrt 3; with shares of 0.55, 0.04, 0.02
    # (an illustration) 1.378; by the mean and variance of four numbers.
    even_cells = expected(red_only("RGGB", share))[0]
    light = np.minimum(even_cells, np.percentile(even_cells, 99.5))  # cosmic rays
    assert light.mean() / light.max() == pytest.approx(
        sum(np.array(share)[[0, 1, 1, 2]]) / 4 / share[0], rel=0.01
    )
    assert light.std() / light.mean() == pytest.approx(rms_over_mean, rel=0.01)
    # Fourier: red-only light has amplitudes equal to the mean at (1/2, 0), (0, 1/2), (1/2, 1/2).
    spectrum = np.abs(np.fft.fft2(light)) / light.size
    half = SIDE // 2
    if share[1] == 0:
        for place in ((half, 0), (0, half), (half, half)):
            assert spectrum[place] == pytest.approx(light.mean(), rel=0.02)
    rest = spectrum.copy()
    rest[0, 0] = rest[half, 0] = rest[0, half] = rest[half, half] = 0
    assert rest.max() < 0.02 * light.mean()


@pytest.mark.parametrize("mag", [9.0, 13.0, 17.0])
@pytest.mark.parametrize("place", [(96.0, 96.0), (97.3, 100.6), (95.0, 101.2), (98.6, 99.0)])
def test_stars_lie_on_the_mosaic_too(place, mag):
    # A red-only star leaves the green and blue places empty, wherever it is, however bright.
    one = replace(red_only("GRBG"), stars=scene([(*place, mag)]).stars)
    light = expected(one, red_only("GRBG"))
    star = light[0] - light[1]
    assert star[0::2, 1::2].sum() == pytest.approx(star.sum(), rel=1e-3)
    # A quarter of the light of 39.1 e/s at V 15 for 60 s: a star of 2 px is spread over the cells,
    # but its core falls on a red place more or less.
    full = 60 * 39.1 * 10 ** (0.4 * (15 - mag))
    assert 0.15 < star.sum() / full < 0.4
