"""What the stars of a frame and of its run can show of a fault of theirs: clear and unclear truth.

Variances are closed forms: a jump d for a share f of the time adds f (1 - f) d^2, and a Gaussian
star of width W has (W / 2.3548)^2.
"""

from dataclasses import replace

import numpy as np
import pytest

from classifier.vocabulary import INDEX
from synth import tracking
from synth.generate import RUN_FRAMES, _lasting, draw_scenes
from synth.rng import stream
from synth.strength import prepare, settle

GUIDING, DRIFT, VIBRATION = (INDEX[key] for key in ("guiding_loss", "drift", "vibration"))
BLOATED = INDEX["bloated_stars"]


@pytest.fixture(scope="module")
def still():
    """A clean scene whose stars stand still and are bright enough for any shape."""
    scene = draw_scenes(3, 1, 1, 256, 256, [], cfa=False)[0]
    stars = replace(scene.stars, flux_e=scene.stars.flux_e + 1e4 * scene.noise_e)
    return replace(scene, stars=stars, path=tracking.still(), strength={})


@pytest.fixture(scope="module")
def width_px(still):
    """FWHM of its stars, px, as the truth has it: by the elongation that a line of 10 px makes."""
    line = np.stack((np.linspace(-5, 5, tracking.STEPS), np.zeros(tracking.STEPS)), 1)
    found = settle(prepare([still.with_("drift", path=line)]))[0, DRIFT]
    return 2.3548 * float(np.sqrt(line[:, 0].var() / (found**2 - 1)))


def guided(scene, places_px):
    """The scene, its guiding lost: equal dwells at these places along x, px."""
    along = np.repeat(places_px, tracking.STEPS // len(places_px))
    path = np.stack((along - along.mean(), np.zeros(len(along))), 1)
    steps = float(np.abs(np.diff(places_px)).sum())
    return scene, path, steps


def truth_of(scene, width_px, places):
    scene, path, steps = guided(scene, np.array(places) * width_px)
    return settle(prepare([scene.with_("guiding_loss", steps / width_px, path=path)]))[0]


def test_a_small_jump_is_no_clean_star_for_drift_and_vibration(still, width_px):
    # sqrt(1 + 0.25 x 1.2^2 x 2.3548^2) = 1.73: it stretches the star as a drift would.
    row = truth_of(still, width_px, (0, 1.2))
    assert np.isnan(row[[DRIFT, VIBRATION]]).all()
    assert row[GUIDING] == pytest.approx(1.2)
    # 1.04 is a round star to everybody.
    row = truth_of(still, width_px, (0, 0.24))
    assert (row[[DRIFT, VIBRATION]] == 1).all()


def test_a_long_jump_is_neither_drift_nor_vibration(still, width_px):
    row = truth_of(still, width_px, (0, 3.0))
    assert (row[[DRIFT, VIBRATION]] == 1).all()
    assert row[GUIDING] == pytest.approx(3.0)


def test_a_drift_stays_one_when_guiding_makes_a_small_step_too(still, width_px):
    scene, path, _ = guided(still, np.array((0, 1.2)) * width_px)
    both = scene.with_("drift", path=path).with_("guiding_loss", 0.3)
    assert settle(prepare([both]))[0, DRIFT] == pytest.approx(1.73, rel=0.02)


def test_a_long_way_in_small_steps_that_nobody_sees_is_not_scored(still, width_px):
    # Eight dwells 0.25 W apart, to and fro: 1.75 W of path, axis ratio sqrt(1 + (0.29)^2) = 1.04.
    row = truth_of(still, width_px, (0, 0.25) * 4)
    assert np.isnan(row[GUIDING])
    assert (row[[DRIFT, VIBRATION]] == 1).all()
    # As far in one go it is seen.
    assert truth_of(still, width_px, (0, 1.75))[GUIDING] == pytest.approx(1.75)


def test_a_run_bloated_from_first_to_last_is_not_scored(still):
    whole = part = 0
    for number in range(30):
        run = _lasting([still] * RUN_FRAMES, "bloated_stars", stream(5, "bloat", number))
        has = np.array(["bloated_stars" in scene.recipe for scene in run])
        found = settle(prepare(run))[:, BLOATED]
        assert (found[~has] == 1).all()
        assert np.isnan(found[has]).all() if has.all() else np.isfinite(found[has]).all()
        whole, part = whole + has.all(), part + (not has.all())
    assert whole and part


def test_an_even_veil_from_first_to_last_is_not_scored(still):
    clouds = INDEX["clouds"]
    told = {True: 0, False: 0}
    for number in range(40):
        run = _lasting([still] * RUN_FRAMES, "clouds", stream(6, "veil", number))
        has = np.array(["clouds" in scene.recipe for scene in run])
        found = settle(prepare(run))[:, clouds]
        assert (found[~has] == 0).all()
        texture = np.array([s.clouds.texture_mag if s.clouds else 0.0 for s in run])
        unseen = has & has.all() & (texture < 0.25)
        assert np.isnan(found[unseen]).all() and np.isfinite(found[~unseen]).all()
        # Beside clear subs the same veil is seen.
        told[bool(has.all())] += int((has & (texture < 0.25)).sum())
    assert told[True] and told[False]


def test_what_a_recipe_makes_is_measured_though_it_was_unknown_before(still):
    doubtful = still.with_unknown("bloated_stars")
    assert np.isnan(settle(prepare([doubtful]))[0, BLOATED])
    wide = doubtful.with_("bloated_stars", seeing_factor=2.5)
    assert settle(prepare([wide]))[0, BLOATED] > 1.4


def test_of_two_smears_in_one_star_the_one_further_beyond_its_level_is_kept(still, width_px):
    wide = still.with_("bloated_stars", seeing_factor=1.7)
    long, short = (
        guided(wide, np.array((0, jump)) * width_px)[1] for jump in (3.0, 0.6)
    )  # axis ratios sqrt(1 + 0.25 x 3^2 x 2.3548^2) = 3.7 and 1.2
    row = settle(prepare([wide.with_("vibration", path=long)]))[0]
    assert np.isnan(row[BLOATED]) and row[VIBRATION] == pytest.approx(3.67, rel=0.02)
    row = settle(prepare([wide.with_("vibration", path=short)]))[0]
    assert np.isnan(row[VIBRATION]) and row[BLOATED] > 1.4


def test_motion_of_a_drift_and_a_vibration_together_is_neither_for_sure(still, width_px):
    _, path, _ = guided(still, np.array((0, 2.0)) * width_px)
    both = still.with_("drift", path=path).with_("vibration")
    assert np.isnan(settle(prepare([both]))[0, [DRIFT, VIBRATION]]).all()
