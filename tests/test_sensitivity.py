"""Recall against strength: the fit against scikit-learn, against curves that are known, and where
it says that a strength is not reached."""

import math

import numpy as np
import pytest
from scipy.special import expit
from sklearn.linear_model import LogisticRegression

from classifier.vocabulary import fault
from training.draws import Draws
from training.sensitivity import _RIDGE, against_strength, fit_logistic

TRAIL, SIGNAL = fault("trail"), fault("low_signal")
ALWAYS = 1.0  # a score above every threshold, as -1 is below


def seen(strength: np.ndarray, half: float, slope: float, rng) -> np.ndarray:
    """Scores of 1 and -1: found with the chance of a logistic in ln(strength)."""
    chance = expit(slope * (np.log(strength) - math.log(half)))
    return np.where(rng.random(len(strength)) < chance, ALWAYS, -ALWAYS)


def figures(row, strength, score, groups=None, count=200) -> dict:
    groups = np.arange(len(strength)) if groups is None else groups
    draws = Draws(groups, np.random.default_rng(1), count=count)
    rows = np.arange(len(strength))
    return against_strength(row, strength, score, np.zeros(1 + count), draws, rows)


def test_fit_is_scikit_learns_logistic_regression():
    rng = np.random.default_rng(2)
    x = rng.uniform(1, 5, 300)
    counts = np.stack([np.ones(300), *rng.poisson(1.0, (3, 300)).astype(float)])
    found = np.stack([rng.random(300) < expit(2 * (x - 2.5)) for _ in counts])
    intercept, slope = fit_logistic(x, found, counts)
    z = ((x - x.mean()) / x.std())[:, None]
    for index, weight in enumerate(counts):
        # The same penalty on the slope in standard deviations of x; none on the intercept.
        outside = LogisticRegression(C=1 / _RIDGE, tol=1e-10, max_iter=1000)
        outside.fit(z, found[index], sample_weight=weight)
        assert slope[index] * x.std() == pytest.approx(outside.coef_[0, 0], rel=1e-5)
        at_mean = intercept[index] + slope[index] * x.mean()
        assert at_mean == pytest.approx(outside.intercept_[0], abs=1e-5)


def test_strengths_of_a_known_curve():
    """Half found at 10 sigma with slope 3: 95 % at 10 * 19^(1/3) = 26.7, since 0.95 / 0.05 = 19."""
    rng = np.random.default_rng(3)
    strength = np.exp(rng.uniform(math.log(4), math.log(100), 2000))
    told = figures(TRAIL, strength, seen(strength, 10, 3, rng))
    half, most = told["strength_50"], told["strength_95"]
    # Standard errors by the information of a logistic: about 3 % and 5 % with 2,000 frames.
    assert half["value"] == pytest.approx(10, rel=0.10)
    assert most["value"] == pytest.approx(10 * 19 ** (1 / 3), rel=0.17)
    for entry in (half, most):
        assert entry["reached"] == "inside"
        assert entry["low"] < entry["value"] < entry["high"]
    assert told["slope"] == pytest.approx(3, rel=0.15)
    assert [part["frames"] for part in told["parts"]] == [334, 334, 333, 333, 333, 333]
    assert told["parts"][0]["from"] == strength.min()
    assert told["parts"][-1]["to"] == strength.max()
    shares = [part["found"] for part in told["parts"]]
    assert shares[0] < 0.25 and shares[-1] > 0.97


def test_interval_is_that_of_the_information():
    """The standard error of ln(strength at half) by the delta method: with x from that strength,
    it is the standard error of the intercept over the slope."""
    rng = np.random.default_rng(4)
    strength = np.exp(rng.uniform(math.log(4), math.log(100), 1500))
    told = figures(TRAIL, strength, seen(strength, 12, 2.5, rng), count=400)
    half = told["strength_50"]
    x = np.log(strength / half["value"])
    p = expit(told["slope"] * x)
    design = np.stack([np.ones_like(x), x], 1)
    covariance = np.linalg.inv(design.T @ (design * (p * (1 - p))[:, None]))
    error = math.sqrt(covariance[0, 0]) / told["slope"]
    width = math.log(half["high"] / half["low"])
    # 400 draws know each end to some 8 % of a half width; the fit to the frames differs as much.
    assert width == pytest.approx(2 * 1.96 * error, rel=0.25)


def test_frames_alike_within_their_group_say_less():
    rng = np.random.default_rng(5)
    strength = np.repeat(np.exp(rng.uniform(math.log(4), math.log(60), 60)), 8)
    score = np.repeat(seen(strength[::8], 10, 3, rng), 8)
    single = figures(TRAIL, strength, score)["strength_50"]
    grouped = figures(TRAIL, strength, score, np.arange(480) // 8)["strength_50"]
    assert grouped["value"] == single["value"]
    # Sixty draws instead of 480: sqrt(8) times as wide.
    ratio = math.log(grouped["high"] / grouped["low"]) / math.log(single["high"] / single["low"])
    assert ratio == pytest.approx(8**0.5, rel=0.4)


def test_a_fault_that_grows_as_the_number_falls():
    """Found half the time at 1 electron per squared read noise, nearly always far below."""
    rng = np.random.default_rng(6)
    strength = np.exp(rng.uniform(math.log(0.05), math.log(6), 1500))
    told = figures(SIGNAL, strength, seen(strength, 1, -2, rng))
    assert told["strength_50"]["value"] == pytest.approx(1, rel=0.15)
    assert told["strength_95"]["value"] == pytest.approx(19**-0.5, rel=0.25)
    assert told["strength_95"]["low"] < told["strength_95"]["value"] < told["strength_95"]["high"]
    assert told["parts"][0]["from"] == strength.max()
    assert told["parts"][0]["found"] < 0.2 < 0.9 < told["parts"][-1]["found"]


def test_what_is_not_reached_has_no_strength():
    rng = np.random.default_rng(7)
    strength = np.exp(rng.uniform(math.log(4), math.log(40), 400))
    none = figures(TRAIL, strength, np.full(400, -ALWAYS))
    every = figures(TRAIL, strength, np.full(400, ALWAYS))
    level = figures(TRAIL, strength, np.where(rng.random(400) < 0.7, ALWAYS, -ALWAYS))
    assert (none["strength_50"]["reached"], none["strength_95"]["reached"]) == ("never", "never")
    assert every["strength_95"]["reached"] == "always"
    # Found in seven of ten whatever the strength: half is passed at the weakest, 95 % never.
    assert (level["strength_50"]["reached"], level["strength_95"]["reached"]) == (
        "always",
        "never",
    )
    for told in (none, every, level):
        assert all(math.isnan(told[name]["value"]) for name in ("strength_50", "strength_95"))
    falling = figures(TRAIL, strength, seen(strength, 12, -3, rng))
    assert falling["strength_95"]["reached"] == "never"


def test_a_flawless_step_gives_the_step():
    strength = np.linspace(4, 40, 200)
    told = figures(TRAIL, strength, np.where(strength > 15, ALWAYS, -ALWAYS))
    assert told["strength_50"]["value"] == pytest.approx(15, rel=0.02)
    assert 15 < told["strength_95"]["value"] < 18


def test_few_frames_give_no_fit():
    told = figures(TRAIL, np.linspace(5, 20, 8), np.full(8, ALWAYS))
    assert told["strength_50"]["reached"] == "unknown"
    assert len(told["parts"]) == 6
    assert figures(TRAIL, np.linspace(5, 20, 4), np.full(4, ALWAYS))["parts"] == []
