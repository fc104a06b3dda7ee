"""Faults that stay through a run: the same in all of it or in a part, as in rigs and skies.

Common practice: a mirror out of line, a focus never found, the Moon and the ghost of a bright star
are there all night long, or from some moment on.
"""

from itertools import groupby

import numpy as np
import pytest

from synth.generate import LASTING_FAULTS, MOVING, RUN_FRAMES, WHOLE_RUN, _lasting, draw_scenes
from synth.recipes import RATIOS
from synth.rng import stream
from synth.strength import SHAPE_KEYS


@pytest.fixture(scope="module")
def clean():
    return draw_scenes(3, 0, RUN_FRAMES, 256, 256, faults=(), cfa=False)


@pytest.mark.parametrize("key", LASTING_FAULTS)
def test_a_fault_lasts_for_the_run_or_a_part_of_it(clean, key):
    whole, tries = 0, 40
    for number in range(tries):
        run = _lasting(clean, key, stream(1, "lasting", number))
        has = [key in scene.recipe for scene in run]
        # It begins once and ends once, and the other scenes are left as they were.
        assert sum(there for there, _ in groupby(has)) == 1
        assert all(a is b for a, b, there in zip(run, clean, has, strict=True) if not there)
        whole += all(has)
    # Some parts are the whole run as well, 1 in 36: 0.61, standard error 0.08.
    assert whole / tries == pytest.approx(WHOLE_RUN + 0.4 / 36, abs=0.25)


def test_what_sits_in_the_rig_is_alike_and_its_strength_nearly_so(clean):
    for key in ("miscollimation", "defocus", "gradient", "reflection"):
        for number in range(30):
            run = _lasting(clean, key, stream(2, key, number))
            known = [scene.strength.get(key, np.nan) for scene in run if key in scene.recipe]
            known = [value for value in known if np.isfinite(value)]
            if len(known) > 1 and key not in RATIOS:
                assert min(known) > 0.8 * max(known)
    assert not set(MOVING) & {"miscollimation", "defocus", "gradient", "reflection"}


def test_a_star_has_one_smear_of_the_night_only(clean):
    drawn_out = [scene.with_("drift", 2.0) for scene in clean]
    for key in LASTING_FAULTS:
        run = _lasting(drawn_out, key, stream(4, key))
        assert (run == drawn_out) == (key in SHAPE_KEYS)


def test_a_cloud_that_lasts_is_the_only_one_of_its_subs():
    # Another one would be scored beside subs of the same veil that are not.
    for index in range(30):
        for scene in draw_scenes(17, index, 10 * RUN_FRAMES, 256, 256, cfa=False):
            assert scene.recipe.count("clouds") <= 1


def test_lasting_faults_come_as_often_as_they_say():
    runs = 0
    found = dict.fromkeys(LASTING_FAULTS, 0)
    for index in range(40):
        scenes = draw_scenes(11, index, 10 * RUN_FRAMES, 256, 256, cfa=False)
        for start in range(0, len(scenes), RUN_FRAMES):
            runs += 1
            run = scenes[start : start + RUN_FRAMES]
            for key in found:
                found[key] += sum(key in scene.recipe for scene in run) >= RUN_FRAMES - 1
    share = sum(found.values()) / runs
    # Six in ten of them stay for all eight subs; a smear gives way to one that was there before.
    expected = WHOLE_RUN * sum(LASTING_FAULTS.values())
    assert 0.75 * expected < share < 1.35 * expected
