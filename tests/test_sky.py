"""Gradients, clouds and glows: strengths reached, the spectrum of clouds, free sampling."""

from itertools import pairwise

import numpy as np
import pytest
import torch

from synth import sky

WIDTH, HEIGHT = 240, 160
X = torch.arange(WIDTH, dtype=torch.float32)
Y = torch.arange(HEIGHT, dtype=torch.float32)


@pytest.mark.parametrize("kind", ["linear", "curved", "dome", "lamp"])
@pytest.mark.parametrize("pct", [2.0, 15.0, 60.0])
def test_gradient_reaches_its_strength(kind, pct):
    for seed in range(5):
        p = sky.draw_gradient(np.random.default_rng(seed), pct, WIDTH, HEIGHT, kind)
        added = sky.gradient_map([p, None], X, Y)
        level = 1.0 + added[0].double()
        got = 100 * float((level.max() - level.min()) / level.median())
        # The shape was scaled on 129 x 129 points; a pixel grid moves its extremes by < 2 %.
        assert got == pytest.approx(pct, rel=0.02)
        assert float(added[0].min()) == pytest.approx(0.0, abs=0.01 * pct / 100)
        assert (added[1] == 0.0).all()


def test_strong_gradients_are_reached_too():
    for seed in range(10):
        p = sky.draw_gradient(np.random.default_rng(seed), 150.0, WIDTH, HEIGHT)
        assert sky.gradient_pct(p, WIDTH, HEIGHT) == pytest.approx(150.0, rel=0.03)


def test_linear_gradient_is_nearly_a_plane_and_a_lamp_is_not():
    yy, xx = np.mgrid[:HEIGHT, :WIDTH]
    plane = np.stack((np.ones(xx.size), xx.ravel(), yy.ravel()), 1)

    def left_over(kind: str) -> float:
        p = sky.draw_gradient(np.random.default_rng(4), 20.0, WIDTH, HEIGHT, kind)
        z = sky.gradient_map([p], X, Y)[0].double().numpy().ravel()
        fit = plane @ np.linalg.lstsq(plane, z, rcond=None)[0]
        return float(np.var(z - fit) / np.var(z))

    assert left_over("linear") < 0.02
    assert left_over("lamp") > 0.2
    with pytest.raises(ValueError, match="gradient kind 'odd' is unknown"):
        sky.draw_gradient(np.random.default_rng(0), 5.0, WIDTH, HEIGHT, "odd")


def test_airglow_is_mild_and_reaches_its_strength():
    for seed in range(5):
        p = sky.draw_airglow(np.random.default_rng(seed), 3.0, WIDTH, HEIGHT)
        assert sky.gradient_pct(p, WIDTH, HEIGHT) == pytest.approx(3.0, rel=0.02)


def spectrum_slope(field: np.ndarray) -> float:
    """Slope of the azimuthally averaged power between 4 and n/4 cycles per grid."""
    n = len(field)
    power = np.abs(np.fft.fft2(field)) ** 2
    k = np.hypot(*np.meshgrid(np.fft.fftfreq(n, 1 / n), np.fft.fftfreq(n, 1 / n)))
    edges = np.geomspace(4, n / 4, 9)
    means = [power[(k >= a) & (k < b)].mean() for a, b in pairwise(edges)]
    centres = np.sqrt(edges[1:] * edges[:-1])
    return float(np.polyfit(np.log(centres), np.log(means), 1)[0])


@pytest.mark.parametrize("slope", [-11 / 3, -2.8])
def test_power_law_field(slope):
    # Each bin averages over 100 modes; 20 fields: the slope's scatter is about 0.02. The 0.1 also
    # covers the coarse bins of a steep spectrum.
    slopes = [
        spectrum_slope(sky.power_law_field(np.random.default_rng(s), 128, slope)) for s in range(20)
    ]
    assert np.mean(slopes) == pytest.approx(slope, abs=0.1)


def test_outer_scale_flattens_the_large_scales():
    # Von Karman: below the outer scale's frequency the power no longer rises.
    rng = np.random.default_rng(1)
    power = np.mean(
        [
            np.abs(np.fft.fft2(sky.power_law_field(rng, 64, outer_scale=1 / 8))) ** 2
            for _ in range(40)
        ],
        axis=0,
    )
    # (1 + 64)^(-11/6) over (4 + 64)^(-11/6) = 1.086; 40 fields x 4 modes: 8 % sampling error.
    ratio = power[[0, 1, 0, -1], [1, 0, -1, 0]].mean() / power[[0, 2, 0, -2], [2, 0, -2, 0]].mean()
    assert ratio == pytest.approx(1.086, rel=0.3)


def test_wind_smears_by_a_sinc():
    # A box average of 0.4 of the grid multiplies the power at 2 cycles by sinc^2(0.8) = 0.0547
    # along the wind and leaves it across. 200 fields x 2 modes each: 10 % sampling error of the
    # ratio of two exponential means.
    rng = np.random.default_rng(2)
    fields = [sky.power_law_field(rng, 32, smear=0.4, angle_deg=0.0) for _ in range(200)]
    power = np.mean([np.abs(np.fft.fft2(f)) ** 2 for f in fields], axis=0)
    ratio = (power[0, 2] + power[0, -2]) / (power[2, 0] + power[-2, 0])
    assert ratio == pytest.approx(np.sinc(0.8) ** 2, rel=0.3)


@pytest.mark.parametrize("loss", [0.05, 0.3, 1.0, 2.5])
def test_clouds_reach_their_loss(loss):
    for seed in range(5):
        p = sky.draw_clouds(np.random.default_rng(seed), loss, WIDTH, HEIGHT, rms_mag=0.3 * loss)
        got = sky.cloud_loss_map([p, None], X, Y)
        # The grid's mean over the frame and the pixels' differ by half a cell at the edges.
        assert float(got[0].mean()) == pytest.approx(loss, rel=0.02)
        assert float(got[0].std()) == pytest.approx(0.3 * loss, rel=0.05)
        assert p.mean_mag == pytest.approx(loss, rel=1e-6)
        assert p.rms_mag == pytest.approx(0.3 * loss, rel=1e-2)
        assert float(got[0].min()) >= 0.0
        assert (got[1] == 0.0).all()


def test_cloud_strength_counts_texture():
    # 0.25 mag of mean loss and 0.15 mag rms are the two levels from which clouds count.
    shape = {"x_px": 0.0, "y_px": 0.0, "reach_px": 1.0, "glow": 0.0, "loss_mag": np.zeros((2, 2))}
    assert sky.Clouds(mean_mag=0.1, rms_mag=0.15, **shape).strength_mag == pytest.approx(0.25)
    assert sky.Clouds(mean_mag=0.4, rms_mag=0.15, **shape).strength_mag == pytest.approx(0.4)


def test_cloud_glow_brightens_over_a_town_and_darkens_far_from_it():
    rng = np.random.default_rng(1)
    town = sky.draw_clouds(rng, 1.0, WIDTH, HEIGHT, 0.3, glow=2.0)
    dark = sky.draw_clouds(rng, 1.0, WIDTH, HEIGHT, 0.3, glow=-0.5)
    glow = sky.cloud_glow_map([town, dark, None], X, Y)
    loss = sky.cloud_loss_map([town, dark, None], X, Y)
    assert float(glow[0].min()) >= 0.0
    assert -0.5 <= float(glow[1].min()) < 0.0
    assert (glow[2] == 0.0).all()
    # Pogson: at 1 mag of loss 60.19 % of the light is scattered or absorbed.
    at = (loss[0] - 1.0).abs().argmin()
    assert float(glow[0].flatten()[at]) == pytest.approx(2.0 * 0.6019, rel=0.02)
    assert torch.equal(glow, sky.cloud_glow_map([town, dark, None], X, Y, loss))


def test_cloud_does_not_depend_on_sampling():
    p = sky.draw_clouds(np.random.default_rng(6), 0.5, WIDTH, HEIGHT, 0.2)
    fine = sky.cloud_loss_map([p], X, Y)[0, 3::4, 1::4]
    coarse = sky.cloud_loss_map([p], X[1::4], Y[3::4])[0]
    assert torch.allclose(fine, coarse, atol=1e-4)


def test_amplifier_glow_is_brightest_at_its_place_and_falls_by_e():
    p = sky.AmpGlow(0.0, 0.0, 50.0, 200.0, 0.0, 8.0, 0.0)
    got = sky.amp_glow_map([p, None], X, Y)
    assert float(got[0, 0, 0]) == pytest.approx(200.0, rel=1e-4)
    assert float(got[0, 0, 50]) == pytest.approx(200.0 / np.e, rel=1e-4)
    assert (got[1] == 0.0).all()
    for seed in range(10):
        drawn = sky.draw_amp_glow(np.random.default_rng(seed), 100.0, WIDTH, HEIGHT)
        light = sky.amp_glow_map([drawn], X, Y)[0]
        assert 30.0 < float(light.max()) <= 100.0 + 1e-3
        top = int(light.argmax())
        row, column = divmod(top, WIDTH)
        assert row in (0, HEIGHT - 1) or column in (0, WIDTH - 1)
