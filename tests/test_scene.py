"""Clean scenes: repeatable, alike within a run, and really clean."""

from dataclasses import fields

import numpy as np
import pytest

from classifier.vocabulary import FAULTS, KEYS
from synth import pictures, scene
from synth.scene import Scene, dark_factor, draw_run
from synth.strength import prepare, strengths

# What a run shares; the rest belongs to one sub.
OF_THE_SUB = {"shift_px", "seeing_factor", "sky_mag", "extinction_mag", "strength"}


def same(one: object, other: object) -> bool:
    """Equality that looks into arrays and the frozen dataclasses that hold them."""
    if isinstance(one, np.ndarray):
        return np.array_equal(one, np.asarray(other))
    if hasattr(one, "__dataclass_fields__"):
        return all(same(getattr(one, f.name), getattr(other, f.name)) for f in fields(one))
    if isinstance(one, dict):
        return one.keys() == other.keys() and all(same(one[k], other[k]) for k in one)
    return one == other or (one != one and other != other)


@pytest.fixture(scope="module")
def runs() -> list[list[Scene]]:
    return [draw_run(6, run, 3, 320, 240, cfa=run % 3 == 0) for run in range(70)]


def test_the_same_seed_draws_the_same_scene(runs):
    for run in (0, 17, 60):
        again = draw_run(6, run, 3, 320, 240, cfa=run % 3 == 0)
        assert all(same(a, b) for a, b in zip(again, runs[run], strict=True))
    assert not same(draw_run(7, 0, 1, 320, 240, True)[0], runs[0][0])


def test_a_longer_run_is_of_the_same_rig_and_field(runs):
    """Its subs are taken at other times of the night, and so through other air."""
    longer = draw_run(6, 5, 8, 320, 240, cfa=False)
    for sub in longer:
        for field in fields(Scene):
            if field.name not in OF_THE_SUB:
                assert same(getattr(sub, field.name), getattr(runs[5][0], field.name))
    assert [s.shift_px for s in longer[:3]] == [s.shift_px for s in runs[5]]


def test_a_run_shares_rig_field_sensor_and_file(runs):
    for first, second, _ in runs:
        for field in fields(Scene):
            if field.name not in OF_THE_SUB:
                assert same(getattr(first, field.name), getattr(second, field.name)), field.name
        assert first.shift_px != second.shift_px
        # What a run has for all its subs; whether the air alone bloats stars is each one's own.
        alike = [
            {k: v for k, v in s.strength.items() if k != "bloated_stars"} for s in (first, second)
        ]
        assert same(*alike)


def test_clean_scenes_carry_no_fault(runs):
    table = prepare([run[0] for run in runs]).known
    clean = np.ones(len(runs))
    for i, row in enumerate(table):
        for key, value in zip(KEYS, row, strict=True):
            target = FAULTS[KEYS.index(key)].target(value) if value == value else 0.0
            if target > 0:
                clean[i] = 0
                # Nature's own: the slope of a wide moonlit field, a narrow band under a dark sky;
                # and one sensor in ten has about as many hot pixels as begin to be a fault.
                assert key in ("gradient", "low_signal", "hot_pixels"), (key, value)
                assert key != "hot_pixels" or value < 0.08
    assert clean.mean() > 0.75


def test_fields_differ_as_they_do_on_the_sky(runs):
    scenes = [run[0] for run in runs]
    kinds = {scene.processing for scene in scenes}
    assert {"raw", "dark_subtracted"} <= kinds and len(kinds) >= 6
    assert 0.4 < np.mean([scene.processing == "raw" for scene in scenes]) < 0.75
    stars = np.array([len(scene.stars.flux_e) for scene in scenes])
    assert stars.min() < 25 and stars.max() > 1200
    widths = np.array([scene.good_fwhm_px for scene in scenes])
    # Common practice: good stars are 1 to 8 px wide, most of them 1.5 to 4.5.
    assert widths.min() > 0.7 and widths.max() < 8.5
    assert 1.7 < np.median(widths) < 3.5


def test_dark_current_doubles_every_six_degrees():
    # Common practice for silicon near room temperature and below: 5 to 8 K.
    assert dark_factor(-4.0) / dark_factor(-10.0) == pytest.approx(2.0)
    assert dark_factor(-10.0) == 1.0


def test_star_cameras_are_short_fast_and_of_eight_bits(monkeypatch):
    """Star cameras: lenses of some cm, exposures under seconds, 8 bits (common practice). With a
    sky of few squared read noises the sub is short of light by design: low signal is not taught."""
    monkeypatch.setattr(scene, "LIVE_SHARE", 1.0)
    drawn = [draw_run(4, run, 1, 256, 192, False)[0] for run in range(40)]
    assert {s.processing for s in drawn} == set(pictures.PICTURES)
    assert max(s.rig.telescope.focal_mm for s in drawn) <= 135
    assert np.median([s.exposure_s for s in drawn]) < 5
    dim = [s.sky_e / s.rig.camera.read_noise_e**2 < 3 for s in drawn]
    assert 0.3 < np.mean(dim) < 0.9
    low = strengths(drawn)[:, KEYS.index("low_signal")]
    assert np.isnan(low[dim]).all()
    # Colour cameras keep their own lenses.
    assert max(draw_run(4, run, 1, 256, 192, True)[0].exposure_s for run in range(12)) > 5
