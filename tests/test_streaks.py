"""Trails against orbital mechanics and against their own matched filter."""

from math import hypot, sqrt

import numpy as np
import pytest
import torch

from synth import orbits, streaks

WIDTH, HEIGHT = 320, 220
X = torch.arange(WIDTH, dtype=torch.float32)
Y = torch.arange(HEIGHT, dtype=torch.float32)


@pytest.mark.parametrize(
    ("height_km", "speed"),
    # Circular orbits, GM and R of WGS 84; worked separately. 3.9 km/s near 20,000 km is quoted
    # in the literature on medium orbits.
    [(350, 7697), (550, 7585), (1200, 7253), (20200, 3873)],
)
def test_orbits(height_km, speed):
    assert orbits.orbital_speed_m_s(height_km) == pytest.approx(speed, rel=1e-3)


@pytest.mark.parametrize(("height_km", "rate"), [(400, 1.098), (550, 0.790), (1200, 0.346)])
def test_zenith_rate(height_km, rate):
    # v / h, seen from below.
    assert orbits.zenith_rate_deg_s(height_km) == pytest.approx(rate, rel=1.5e-3)


def test_range_blur():
    # 8.4 m at 550 km: 3.15 arcsec (Tyson et al. 2020 speak of trails about 3 arcsec wide);
    # small telescopes by the same geometry.
    assert orbits.range_blur_arcsec(8.4, 550.0) == pytest.approx(3.15, rel=2e-3)
    assert orbits.range_blur_arcsec(0.1, 550.0) == pytest.approx(0.0375, rel=2e-3)
    assert orbits.range_blur_arcsec(0.2, 100.0) == pytest.approx(0.41, rel=0.01)


@pytest.mark.parametrize(("mag", "time_s", "surface"), [(5, 60, 19.08), (5, 300, 20.82)])
def test_trail_surface_brightness(mag, time_s, surface):
    # 550 km (2845 arcsec/s), 2.5 arcsec wide. A longer sub gives a fainter mean over the sub.
    rate = orbits.zenith_rate_deg_s(550) * 3600
    got = orbits.trail_surface_mag(mag, rate, 2.5, time_s)
    assert got == pytest.approx(surface, abs=0.01)


@pytest.mark.parametrize(("length", "amplitude"), [(1000, 0.1052), (4000, 0.0526)])
def test_amplitude_for_a_signal_to_noise_of_five(length, amplitude):
    # Matched filter of a Gaussian section of FWHM 3 px.
    sigma = 3.0 / 2.3548
    assert streaks.trail_amplitude(5.0, 1.0, length, sigma) == pytest.approx(amplitude, abs=2e-4)
    back = streaks.trail_snr(amplitude, 1.0, length, sigma)
    assert back == pytest.approx(5.0, rel=3e-3)


def test_signal_to_noise_by_monte_carlo():
    # The matched filter on 400 noisy frames: mean response over its scatter is the S/N; the
    # scatter of 400 is known to 3.5 %, so 12 % is over three sigma.
    trail = streaks.Trail(-200.0, 30.0, 500.0, 190.0, 1.5, 1.0)
    light = streaks.trail_map([trail], X, Y)[0].double()
    expected = streaks.frame_snr(trail, 10.0, WIDTH, HEIGHT)
    generator = torch.Generator().manual_seed(4)
    filter_ = light / light.norm()
    noise = [
        float((10.0 * torch.randn(HEIGHT, WIDTH, generator=generator).double() * filter_).sum())
        for _ in range(400)
    ]
    got = float((light * filter_).sum()) / np.std(noise)
    assert got == pytest.approx(expected, rel=0.12)


def test_the_section_is_gaussian_and_the_length_is_right():
    trail = streaks.Trail(60.0, 110.0, 260.0, 110.0, 2.0, 100.0)
    light = streaks.trail_map([trail, None], X, Y)
    assert (light[1] == 0.0).all()
    column = light[0][:, 160].double().numpy()
    expected = 100.0 * np.exp(-0.5 * ((np.arange(HEIGHT) - 110.0) / 2.0) ** 2)
    # Beyond 5 sigma the section is cut: 4e-6 of the peak.
    assert column == pytest.approx(expected, abs=1e-3)
    # Peak x sigma x sqrt(2 pi) x length electrons in all.
    total = 100.0 * 2.0 * sqrt(2 * np.pi) * 200.0
    assert float(light[0].double().sum()) == pytest.approx(total, rel=1e-3)


@pytest.mark.parametrize("angle", [0, 20, 44, 46, 70, 90, 135, 200, 315])
def test_every_angle_holds_the_same_light(angle):
    c, s = np.cos(np.deg2rad(angle)), np.sin(np.deg2rad(angle))
    trail = streaks.Trail(160 - 80 * c, 110 - 80 * s, 160 + 80 * c, 110 + 80 * s, 1.7, 50.0)
    light = streaks.trail_map([trail], X, Y)[0].double()
    total = 50.0 * 1.7 * sqrt(2 * np.pi) * 160.0
    assert float(light.sum()) == pytest.approx(total, rel=3e-3)
    middle = (light * X.double()).sum() / light.sum(), (light * Y.double()[:, None]).sum()
    assert float(middle[0]) == pytest.approx(160.0, abs=0.05)
    assert float(middle[1] / light.sum()) == pytest.approx(110.0, abs=0.05)


@pytest.mark.parametrize("kind", streaks.TRAIL_KINDS)
def test_drawn_trails_reach_their_strength(kind):
    for seed in range(6):
        rng = np.random.default_rng(seed)
        trails = streaks.draw_trails(rng, 12.0, WIDTH, HEIGHT, 3.2, 7.0, kind)
        assert 1 <= len(trails) <= 6
        # The rendered light's own matched filter: norm over noise. Pixel sampling of flashes
        # and of ends leaves a few per cent.
        got = [float(streaks.trail_map([t], X, Y).double().norm()) / 7.0 for t in trails]
        assert max(got) == pytest.approx(12.0, rel=0.06)
        each = [streaks.frame_snr(t, 7.0, WIDTH, HEIGHT) for t in trails]
        assert max(each) == pytest.approx(12.0, rel=1e-6)


def test_flashes_come_at_their_period():
    trail = streaks.Trail(
        0.0, 110.0, 320.0, 110.0, 1.5, 100.0, pulse_depth=1.0, pulse_px=40.0, pulse_sharp=8.0
    )
    row = streaks.trail_map([trail], X, Y)[0, 110].double().numpy()
    # Fourier: 320 px hold eight periods, so the strongest harmonic but the mean is the eighth.
    spectrum = np.abs(np.fft.rfft(row))
    assert int(spectrum[1:20].argmax()) + 1 == 8
    assert row[40] == pytest.approx(100.0, rel=0.01)
    assert row[60] < 1.0


def test_several_trails_and_frames_at_once():
    rng = np.random.default_rng(0)
    one = streaks.draw_trails(rng, 20.0, WIDTH, HEIGHT, 3.0, 5.0, "train")
    other = streaks.draw_trails(rng, 20.0, WIDTH, HEIGHT, 3.0, 5.0, "satellite")
    got = streaks.trail_map([one, None, other], X, Y)
    expected = sum(streaks.trail_map([t], X, Y)[0] for t in one)
    assert torch.allclose(got[0], expected, atol=1e-4)
    assert (got[1] == 0.0).all()
    assert float(got[2].max()) > 0.0


def test_clipped_ends():
    # By hand: y = x / 2 from the left edge's half pixel to the right edge's.
    trail = streaks.Trail(-100.0, -50.0, 500.0, 250.0, 1.5, 1.0)
    ends = streaks.clipped_ends(trail, WIDTH, HEIGHT)
    assert ends == pytest.approx((-0.5, -0.25, WIDTH - 0.5, (WIDTH - 0.5) / 2))
    inside = streaks.Trail(10.0, 10.0, 50.0, 90.0, 1.5, 1.0)
    assert streaks.clipped_ends(inside, WIDTH, HEIGHT) == pytest.approx((10.0, 10.0, 50.0, 90.0))
    outside = streaks.Trail(-10.0, -10.0, -50.0, 90.0, 1.5, 1.0)
    assert streaks.clipped_ends(outside, WIDTH, HEIGHT) is None
    assert streaks.frame_snr(outside, 1.0, WIDTH, HEIGHT) == 0.0
    level = streaks.Trail(-10.0, 20.0, 400.0, 20.0, 1.5, 1.0)
    ends = streaks.clipped_ends(level, WIDTH, HEIGHT)
    assert ends is not None
    assert hypot(ends[2] - ends[0], ends[3] - ends[1]) == pytest.approx(WIDTH)


def test_an_unknown_kind_is_refused():
    with pytest.raises(ValueError, match="trail kind 'comet' is unknown"):
        streaks.draw_trails(np.random.default_rng(0), 5.0, WIDTH, HEIGHT, 3.0, 5.0, "comet")
