"""What is said beside the labels: rendered subs whose ghost, bar, hot pixels and dust are known."""

from dataclasses import replace

import calibration_rig as rig
import numpy as np
import pytest

from classifier.advice import bar_of_run, has, run_advice, run_hints
from classifier.evidence import NO, YES, Evidence
from classifier.frame import read_frame
from classifier.measures import measure_frame
from classifier.night_line import NightSub, night_line

COUNT = 6


def subs_of(tmp_path, scenes, **cards) -> list[NightSub]:
    subs = []
    for number, each in enumerate(scenes):
        rng = np.random.default_rng(100 + number)
        name = f"s{number:02}.fits"
        time = f"2025-01-03T20:{4 * number:02}:00"
        path = rig.write(
            tmp_path / name, rig.exposed(each, rng), "Light", **{"DATE-OBS": time} | cards
        )
        frame = read_frame(path)
        subs.append(NightSub(name, frame.facts, frame.pixels.shape, measure_frame(frame)))
    return subs


@pytest.fixture(scope="module")
def dithered(tmp_path_factory):
    """Six subs of one sensor with hot pixels and dust, the stars dithered by some 20 px."""
    rng = np.random.default_rng(3)
    stars = rig.stars(rng, 90)
    scenes = []
    for _ in range(COUNT):
        dx, dy = rng.uniform(-10, 10, 2)
        scenes.append(rig.scene(stars=[(x + dx, y + dy, mag) for x, y, mag in stars]))
    return subs_of(
        tmp_path_factory.mktemp("advice"), scenes, XPIXSZ=3.76, FOCALLEN=530.0, APTDIA=100.0
    )


def test_pixels_and_shadows_that_stay_are_told_sub_by_sub_and_for_the_run(dithered):
    assert all(has(sub, "hot_pixels") and has(sub, "dust_motes") for sub in dithered)
    advice = run_advice(dithered)
    assert list(advice) == [sub.name for sub in dithered]
    for told in advice.values():
        assert "hot in other subs too: darks remove them" in told["hot_pixels"]
        assert f"stands there in {COUNT} of {COUNT} subs" in told["dust_motes"]
        assert "reflection" not in told and "diffraction_spikes" not in told
    hints = run_hints(night_line(dithered))
    hot = next(text for text in hints if "hot pixels" in text)
    assert "while the stars moved by" in hot and "take darks" in hot
    dust = next(text for text in hints if "shadow" in text)
    # The mote's shadow is 52 px of 3.76 um at f/5.3: 1.04 mm before the sensor.
    assert f"in {COUNT} of {COUNT} subs" in dust and "take flats" in dust
    far_mm = float(dust.split("some ")[1].split(" mm")[0])
    assert far_mm == pytest.approx(52 * 3.76e-3 * 5.3, rel=0.25)


def test_pixels_that_come_and_go_are_no_work_for_darks(tmp_path):
    """Each sub with hot pixels of its own, as rays are."""
    rng = np.random.default_rng(4)
    stars = rig.stars(rng, 90)
    scenes = [rig.scene(stars=stars, field_seed=50 + i, dust=None) for i in range(COUNT)]
    subs = subs_of(tmp_path, scenes)
    assert "darks do not hold" in run_advice(subs)["s00.fits"]["hot_pixels"]
    (hot,) = [text for text in run_hints(night_line(subs)) if "hot pixels" in text]
    assert hot.startswith("Only") and "darks would not remove them" in hot
    assert "while the stars moved by" in hot


def test_without_dither_the_doubt_is_told(dithered):
    still = [with_(sub, stars=dithered[0].measures.stars) for sub in dithered]
    hints = run_hints(night_line(still))
    assert any("though the stars stood still too" in text for text in hints)
    assert any("dither, and dust tells itself from a dark cloud" in text for text in hints)


def with_(sub: NightSub, **changes) -> NightSub:
    """A copy with measures changed and evidence set to yes or no."""
    measures = sub.measures
    evidence = dict(measures.evidence)
    for key, where in changes.pop("yes", {}).items():
        evidence[key] = Evidence(YES, 9.0, "", 3.0, "", where)
    for key in changes.pop("no", ()):
        evidence[key] = Evidence(NO, 0.0, "", 3.0)
    facts = replace(sub.facts, **changes.pop("facts", {}))
    return replace(sub, facts=facts, measures=replace(measures, evidence=evidence, **changes))


def test_ghost_and_bar_are_told_with_their_numbers(dithered):
    clean = {"no": ("hot_pixels", "dust_motes")}
    glaring = np.array([[400.0, 300.0, 1e6]], np.float32)
    # Opposite through (255.5, 191.5), 0.8 times as far out.
    ghost = [255.5 - 0.8 * 144.5, 191.5 - 0.8 * 108.5, 24.0]
    spikes = np.array([[0.0, 9.0], [90.0, 8.0], [30.0, 14.0]], np.float32)
    subs = [
        with_(
            sub,
            yes={"reflection": [ghost], "diffraction_spikes": [[400.0, 300.0]]},
            glaring=glaring,
            spikes=spikes,
            facts={"camera_deg": 0.0, "mirrored": False},
            **clean,
        )
        for sub in dithered
    ]
    told = run_advice(subs)["s03.fits"]
    assert "opposite to the bright star at (400, 300)" in told["reflection"]
    assert "0.8 times as far out" in told["reflection"]
    assert "lies at 120 degrees" in told["diffraction_spikes"]
    assert "position angle" not in told["diffraction_spikes"]
    hints = run_hints(night_line(subs))
    # 120 degrees from +x (west) towards +y (north) is 30 degrees east of north.
    assert any("position angle 30 degrees" in text for text in hints)
    assert any(f"(So in {COUNT} of {COUNT} subs.)" in text for text in hints)
    # What was neither labelled nor measured is left alone.
    quiet = [with_(sub, no=("reflection", "diffraction_spikes")) for sub in subs]
    assert set(run_advice(quiet)["s03.fits"]) & {"reflection", "diffraction_spikes"} == set()


def test_a_label_alone_is_enough(dithered):
    sub = with_(dithered[0], no=("hot_pixels",))
    assert not has(sub, "hot_pixels")
    assert has(replace(sub, faults=("hot_pixels",)), "hot_pixels")


def test_short_runs_tell_nothing_of_what_stays(dithered):
    (told,) = run_advice(dithered[:1]).values()
    assert "hot_pixels" not in told and "dust_motes" not in told


def test_a_bar_that_only_the_brightest_stars_show_is_told_for_the_run(dithered):
    seen = [31.0, 29.0, 150.0, 30.0, 32.0]  # one sub is mistaken, one saw nothing
    forms = [{"odd_sigma": 4.0, "odd_deg": deg} for deg in seen] + [{"odd_sigma": 0.0}]
    subs = [
        with_(sub, form={**sub.measures.form, **form}, no=("diffraction_spikes",))
        for sub, form in zip(dithered, forms, strict=True)
    ]
    told = bar_of_run(night_line(subs))
    assert "(The brightest star of 4 of 6 subs shows it.)" in told
    lies = float(told.split("lies at ")[1].split(" degrees")[0])
    assert abs(lies - 120.5) <= 2
    assert any(told in hint for hint in run_hints(night_line(subs)))
    scattered = [with_(s, form={"odd_sigma": 4.0, "odd_deg": 30.0 * i}) for i, s in enumerate(subs)]
    assert bar_of_run(night_line(scattered)) is None
