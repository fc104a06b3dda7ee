"""Star shapes that frames share are worked out once, and are those of each frame on its own."""

from dataclasses import replace

import numpy as np
import pytest
import torch

from synth.generate import draw_scenes
from synth.psf import Blur, Pupil, phase_stamps, star_light
from synth.starlight import (
    BRIGHT_OVER,
    CENTRE_ZONE,
    OVER,
    STAMP_PX,
    ZONES,
    blur_table,
    bright_stamps,
    different,
    field_stamps,
    plan_stars,
    pupil_table,
    wide_light,
)
from synth.strength import prepare, settle, strengths
from synth.transfer import sent

FRAMES = 6


@pytest.fixture(scope="module", params=[3, 1], ids=["runs of three", "lone frames"])
def planned(request):
    """Frames of a run and others; of one the field turns, about a point beside its middle."""
    scenes = draw_scenes(31, 2, FRAMES, 256, 200, run_frames=request.param)
    still = [replace(scene, twist_deg=0.0) for scene in scenes]
    still[1] = replace(still[1], twist_deg=1.5, twist_centre=(0.3, -0.2))
    return still, plan_stars(still)


def each_on_its_own(scenes, zones):
    table = blur_table(scenes, zones)
    return Pupil(**sent(pupil_table(scenes), "cpu")), Blur(**sent(table, "cpu"))


def test_places_of_all_frames_have_the_stars_that_each_would_have_alone(planned):
    scenes, stars = planned
    alone = star_light(*each_on_its_own(scenes, ZONES), STAMP_PX, OVER, 128, (1.0,))
    found = field_stamps(stars, "cpu")
    # float32 transforms, in another order: some 1e-6 of the peak.
    wanted = phase_stamps(alone, OVER).flatten(0, 2)
    torch.testing.assert_close(found, wanted, rtol=0, atol=1e-5 * float(wanted.max()))
    assert stars.turned.tolist() == [1]
    # The field that turns has another star at each place, which is what it is for.
    corner, middle = alone[1, 0], alone[1, CENTRE_ZONE]
    assert (corner - middle).abs().max() > 0.05 * middle.max()


def test_the_brightest_stars_too(planned):
    scenes, stars = planned
    assert 1 in stars.bright
    some = [scenes[i] for i in stars.bright]
    alone = wide_light(*each_on_its_own(some, [ZONES[CENTRE_ZONE]]))
    wanted = phase_stamps(alone, BRIGHT_OVER).flatten(0, 2)
    found = bright_stamps(stars, "cpu")
    torch.testing.assert_close(found, wanted, rtol=0, atol=1e-5 * float(wanted.max()))


def test_subs_of_a_run_share_their_optics_and_lone_frames_do_not(planned):
    scenes, stars = planned
    runs = len({scene.field_seed for scene in scenes})
    spoilt = sum("defocus" in s.recipe or "miscollimation" in s.recipe for s in scenes)
    assert (
        runs
        <= len(stars.pupil["obstruction"])
        <= runs + spoilt + sum("diffraction_spikes" in s.recipe for s in scenes)
    )
    assert len(stars.optics) == FRAMES


def test_different_optics_are_told_apart_by_every_number():
    pupil = {"obstruction": np.array([0.3, 0.3, 0.3, 0.2]), "bar": np.array([[1, 2]] * 4)}
    waves = np.zeros((4, 2, 3))
    waves[2, 1, 2] = 1e-3
    first, which = different(pupil, waves)
    assert len(first) == 3
    assert which[0] == which[1]
    assert len(set(which.tolist())) == 3
    for frame, own in enumerate(which):
        assert pupil["obstruction"][first[own]] == pupil["obstruction"][frame]
        assert np.array_equal(waves[first[own]], waves[frame])


def test_strengths_of_a_batch_are_those_of_each_frame(planned):
    scenes, _ = planned
    together = settle(prepare(scenes))
    alone = np.concatenate([strengths([scene]) for scene in scenes])
    assert np.array_equal(np.isnan(together), np.isnan(alone))
    assert np.nan_to_num(together) == pytest.approx(np.nan_to_num(alone), rel=1e-4, abs=1e-6)
