"""Motion beyond that of the calm subs, on runs whose moments are added up by hand."""

import math

import numpy as np
import pytest
from written_run import COUNT, run_of

from classifier.night_causes import likelihoods, signs_of
from classifier.night_sway import sway_signs


def run_moved(amount, deg, optics=0.3, optics_deg=120.0, air=0.0):
    """A run whose stars have second moments 3 px^2 (1 + air) both ways, the optics' along theirs
    and `amount` (n,) along `deg` on top: moments of convolved lights add."""
    moments = np.empty((COUNT, 2, 2))
    for i in range(COUNT):
        total = np.eye(2) * (1 + np.broadcast_to(air, COUNT)[i])
        turns = np.broadcast_to(deg, COUNT)
        for square, turn in ((optics, optics_deg), (np.broadcast_to(amount, COUNT)[i], turns[i])):
            axis = np.array([math.cos(math.radians(turn)), math.sin(math.radians(turn))])
            total = total + square * np.outer(axis, axis)
        moments[i] = 3 * total
    values, vectors = np.linalg.eigh(moments)
    return run_of(
        elongation=np.sqrt(values[:, 1] / values[:, 0]),
        angle_deg=np.degrees(np.arctan2(vectors[:, 1, 1], vectors[:, 0, 1])) % 180,
        fwhm_px=2.3548 * np.sqrt(values.mean(1)),
    )


# Calm first, then gusts whose strength differs by a factor of two either way.
GUSTS = np.where(
    np.arange(COUNT) < 6, 0.0, np.exp(np.random.default_rng(3).normal(-0.2, 0.7, COUNT))
)


def test_a_gust_is_as_strong_as_what_it_adds():
    signs = sway_signs(run_moved(np.where(np.arange(COUNT) < 8, 0.0, 0.6), 40.0))
    # Of the sharp stars' mean square: 1 and half of the optics' 0.3 (closed form).
    assert signs["sway_top"] == pytest.approx(0.6 / 2 / 1.15, rel=0.02)
    assert signs["sway_steady"] == pytest.approx(1, abs=1e-3)
    assert signs["sway_share"] == pytest.approx(10 / 18)
    # Of the C(18, 10) ways to place ten moved subs nine have them all together.
    assert signs["sway_spell"] == pytest.approx(math.log10(math.comb(18, 10) / 9))


@pytest.mark.parametrize("optics_deg", [40.0, 85.0, 130.0])
def test_gusts_are_wind_whatever_the_optics_add(optics_deg):
    found = likelihoods(signs_of(run_moved(GUSTS, 40.0, 0.3, optics_deg)))
    assert max(found, key=found.get) == "wind" and found["wind"] > 0.6


def test_poor_air_is_no_wind():
    bad = 1.5 * (np.arange(COUNT) > 9)
    signs = signs_of(run_moved(0.0, 40.0, air=bad))
    assert signs["sway_top"] < 0.02 and likelihoods(signs)["wind"] < 0.15


def test_a_steady_shake_and_single_jolts_are_no_wind():
    rng = np.random.default_rng(4)
    steady = 0.8 * np.exp(0.2 * rng.normal(size=COUNT))
    assert likelihoods(signs_of(run_moved(steady, 40.0)))["wind"] < 0.15
    jolts = 0.9 * np.isin(np.arange(COUNT), (2, 7, 12))
    signs = signs_of(run_moved(jolts, 40.0))
    assert signs["sway_spell"] < 0.01 and likelihoods(signs)["wind"] < 0.15


@pytest.mark.parametrize("first", [9, 7])
def test_what_sets_in_at_the_flip_is_told_from_what_sets_in_before(first):
    strong = 0.9 * np.random.default_rng(6).uniform(0.6, 1.4, COUNT)
    line = run_moved(np.where(np.arange(COUNT) < first, 0.0, strong), 40.0)
    line.of["half_turn"] = (np.arange(COUNT) >= 9).astype(float)
    assert sway_signs(line)["sway_flip"] == pytest.approx(1 - (9 - first) / COUNT)


def test_motion_along_right_ascension_whatever_the_optics_add():
    # Position angles run from north, along declination: 90 degrees is right ascension.
    for deg, ra in ((40.0, 1.0), (130.0, -1.0)):
        line = run_moved(np.where(np.arange(COUNT) % 3 == 0, 0.9, 0.0), deg, 0.3, 85.0)
        line.of["camera_deg"] = np.zeros(COUNT)
        line.of["camera_deg"] -= line.to_sky_deg(np.full(COUNT, 40.0)) - 90.0
        assert sway_signs(line)["sway_ra"] == pytest.approx(ra, abs=0.01)


def test_gusts_from_everywhere_are_none_from_one_side():
    turns = np.random.default_rng(5).uniform(0, 180, COUNT)
    signs = signs_of(run_moved(GUSTS, turns))
    assert signs["sway_steady"] < 0.7 and likelihoods(signs)["wind"] < 0.15


def test_a_push_leaves_a_wing_on_one_side_and_a_shake_none():
    line = run_moved(GUSTS, 40.0)
    hit = GUSTS > 0.1
    # Optics are lopsided in every sub; the push adds 0.12 along itself.
    way = np.exp(1j * math.radians(40.0))
    skew = 0.05 - 0.03j + np.where(hit, 0.12 * way, 0)
    line.of["skew_x"], line.of["skew_y"] = skew.real, skew.imag
    pushed = signs_of(line)
    assert pushed["sway_push"] == pytest.approx(0.12, rel=0.02)
    line.of["skew_x"], line.of["skew_y"] = np.full((2, COUNT), 0.05)
    shaken = signs_of(line)
    assert shaken["sway_push"] < 1e-9
    assert likelihoods(pushed)["wind"] > 1.5 * likelihoods(shaken)["wind"]


def test_moved_subs_that_chance_to_lie_together_are_bursts_still():
    line = run_moved(0.9 * np.isin(np.arange(COUNT), (3, 4, 9, 10, 16)), 40.0)
    found = likelihoods(signs_of(line))
    assert max(found, key=found.get) == "vibration_bursts" and found["vibration_bursts"] > 0.6


def test_strength_between_all_and_nothing_is_no_burst():
    # Few subs move, but every strength from none to the most is there.
    order = np.random.default_rng(2).permutation(COUNT)
    line = run_moved(0.5 * (order / (COUNT - 1)) ** 2, 40.0)
    signs = signs_of(line)
    assert 0.15 < signs["sway_share"] < 0.4
    assert likelihoods(signs)["vibration_bursts"] < 0.3


def test_stars_that_widen_where_nothing_moves_are_asked_for_the_air():
    jolts = 0.9 * np.isin(np.arange(COUNT), (2, 7, 12))
    assert sway_signs(run_moved(jolts, 40.0))["sway_calm"] < 0.03
    air = np.where(np.arange(COUNT) % 4 == 0, 1.0, 0.0)  # the short way grows by the root of 2
    assert sway_signs(run_moved(0.0, 40.0, air=air))["sway_calm"] == pytest.approx(0.5, abs=0.03)
