"""Noise of star tiles against scipy's Poisson distribution and closed forms."""

import shutil

import numpy as np
import pytest
import torch
import torch.nn.functional as F
from scipy import stats

from synth.sheet_plan import plan_sheets
from synth.shot_noise import MANY_E, counted_fast, shot_noise
from synth.star_scenes import draw_star_scenes
from synth.tile_noise import RESPONSE_SIGMA, sky_noise2_e
from training.sheets import render_sheets


@pytest.mark.parametrize("electrons", [0.3, 1.0, 3.0, 30.0, 1000.0, 50_000.0])
def test_shot_noise_has_the_moments_of_counting(electrons):
    n = 1_000_000
    light = torch.full((n,), electrons, dtype=torch.float64)
    values = shot_noise(light, torch.Generator().manual_seed(2)).numpy()
    mean, variance, skewness, kurtosis = (float(v) for v in stats.poisson(electrons).stats("mvsk"))
    # Five standard errors; mean and variance are exact by construction.
    assert values.mean() == pytest.approx(mean, abs=5 * (variance / n) ** 0.5)
    assert values.var() == pytest.approx(variance, rel=5 * ((kurtosis + 2) / n) ** 0.5)
    if electrons >= 3:
        # The third moment is light - 1/54: under 1 % from 3 electrons on.
        error = 5 * (6 / n) ** 0.5
        assert stats.skew(values) == pytest.approx(skewness, rel=0.02, abs=error)
    # Tails where stars are told from sky: quantiles within half a count of scipy's.
    for share in (0.001, 0.16, 0.5, 0.84, 0.999):
        wanted = stats.poisson.ppf(share, electrons)
        if electrons >= 3:
            assert np.quantile(values, share) == pytest.approx(wanted, abs=1.0, rel=2e-3)


@pytest.mark.parametrize("electrons", [2.0, MANY_E - 0.5, MANY_E, 100.0, 1000.0])
def test_counts_drawn_fast_are_distributed_as_counts_are(electrons):
    n = 2_000_000
    light = torch.full((n,), electrons)
    values = counted_fast(light, torch.Generator().manual_seed(5)).numpy()
    assert (values == values.round()).all()
    counts = np.bincount(values.astype(int))
    share = stats.poisson.cdf(np.arange(len(counts)), electrons)
    # Kolmogorov's bound at 1 in 10,000 for n draws, and the 0.03 % by which the tails are off.
    assert np.abs(counts.cumsum() / n - share).max() < 2.23 / n**0.5 + 3e-4


def test_no_light_makes_no_noise():
    assert float(shot_noise(torch.zeros(100), torch.Generator().manual_seed(1)).abs().max()) == 0.0


def test_response_of_white_noise():
    # Half the sum of a pixel and its 3 x 3 mean: variance (5/9)^2 + 8 / 18^2 of white noise's.
    noise = torch.randn(1, 1, 1500, 1500, generator=torch.Generator().manual_seed(3))
    response = 0.5 * (noise[..., 1:-1, 1:-1] + F.avg_pool2d(noise, 3, 1))
    # 2 million values, neighbours alike over some ten pixels: 0.2 %.
    assert float(response.std()) == pytest.approx(RESPONSE_SIGMA, rel=0.006)


def test_variance_of_an_empty_sky():
    # Photons and dark current, read noise, the pixels' response and rounding add as squares.
    numbers = {"dark_e": 10.0, "read_noise_e": 3.0, "prnu": 0.01, "gain_e_adu": 2.0}
    table = {name: torch.tensor([value]) for name, value in numbers.items()}
    found = sky_noise2_e(torch.tensor([[90.0, 190.0, 290.0, 390.0]]), table)[0].tolist()
    for light, variance in zip((100.0, 200.0, 300.0, 400.0), found, strict=True):
        assert variance == pytest.approx(light + 9 + (0.01 * light) ** 2 + 4 / 12, rel=1e-6)


@pytest.mark.slow
@pytest.mark.skipif(shutil.which("g++") is None, reason="torch's compiler needs one for C++")
def test_compiled_code_gives_the_same_sheets():
    plan = plan_sheets(draw_star_scenes(3, 0, 2, 200, 150, cfa=True))
    plain, other = (next(render_sheets(plan, 1, 0, fused=fused)) for fused in (False, True))
    # Sums are rounded in another order: a pixel in some thousands is 1 ADU off.
    off = (plain.cutouts - other.cutouts).abs() > 1e-4
    assert float(off.float().mean()) < 0.002
    torch.testing.assert_close(other.shape, plain.shape, rtol=1e-3, atol=1e-3)
    torch.testing.assert_close(other.stack, plain.stack, rtol=1e-3, atol=1e-3)
