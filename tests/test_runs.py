"""Frames of one run against one another, on painted nights with one bad sub among good ones."""

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from painted_sky import as_frame, images, moffat, paint, ring

from classifier.facts import Facts
from classifier.measures import measure_frame
from classifier.reference import reference_of
from classifier.runs import judge_runs, run_key
from classifier.star_evidence import elongated
from classifier.star_match import light_lost, match

SHAPE = (420, 560)
START = datetime(2026, 1, 15, 20, tzinfo=UTC)
FACTS = Facts(exposure_s=120.0, gain_e_adu=1.0, read_noise_e=3.0, offset_adu=100.0)


def places_and_fluxes(seed=0, count=90):
    rng = np.random.default_rng(seed)
    places = rng.uniform(30, [SHAPE[1] - 30, SHAPE[0] - 30], (4000, 2))
    kept = []
    for place in places:
        if all(np.hypot(*(place - other)) > 28 for other in kept):
            kept.append(place)
    kept = np.array(kept[:count])
    return kept, 4000 * (1 + rng.pareto(1.1, len(kept))).clip(1, 40)


def sub(index, stamp=None, light=1.0, noise=12.0, **facts):
    """One sub of the run: dithered by some px, its stars dimmed by `light` (number or array)."""
    places, fluxes = places_and_fluxes()
    shift = np.random.default_rng(index + 50).uniform(-9, 9, 2)
    moved = places + shift
    if callable(light):
        light = np.array([light(x, y) for x, y in moved])
    picture = paint(
        SHAPE, stamp or moffat(3.0, 3.5), moved, fluxes * light, noise=noise, seed=index
    )
    known = replace(FACTS, time_utc=START + timedelta(minutes=2 * index), **facts)
    return known, measure_frame(as_frame(picture, **{k: getattr(known, k) for k in known_names()}))


def known_names():
    return ("exposure_s", "gain_e_adu", "read_noise_e", "offset_adu")


@pytest.fixture(scope="module")
def good():
    return [sub(index) for index in range(7)]


def judged(good, bad):
    """Evidence of the bad sub put in the middle of the good ones, and of all others."""
    run = [*good[:3], bad, *good[4:]]
    evidence = judge_runs(run, ["one run"] * len(run))
    return evidence[3], [one for i, one in enumerate(evidence) if i != 3]


def test_a_good_run_has_no_fault(good):
    for evidence in judge_runs(good, ["one run"] * len(good)):
        assert [key for key, one in evidence.items() if one.state == "yes"] == []
        for key in ("clouds", "bloated_stars", "defocus", "drift"):
            assert evidence[key].state == "no", key


def test_bloated_stars(good):
    mine, others = judged(good, sub(3, moffat(5.1, 3.5)))
    assert mine["bloated_stars"].state == "yes"
    assert mine["bloated_stars"].value == pytest.approx(5.1 / 3.0, rel=0.06)
    assert mine["defocus"].state == "no"
    assert all(one["bloated_stars"].state == "no" for one in others)


def test_wings_about_narrow_cores_leave_bloat_open(good):
    """Dew on a corrector or thin haze: a part of all light goes into an aureole, the core stays."""

    def veiled(share):
        core, wide = moffat(3.0, 3.5), moffat(9.0, 3.5)

        def stamp(dx, dy, half):
            return (1 - share) * core(dx, dy, half) + share * wide(dx, dy, half)

        return stamp

    mine, others = judged(good, sub(3, veiled(0.3)))
    told = mine["bloated_stars"]
    assert told.state == "unknown" and "narrow cores" in told.note
    assert told.value < 1.4 and mine["defocus"].state == "no"
    assert all(one["bloated_stars"].state == "no" for one in others)
    mine, _ = judged(good, sub(3, veiled(0.01)))
    assert mine["bloated_stars"].state == "no"


def test_slight_defocus_without_a_hole(good):
    galsim = pytest.importorskip("galsim")
    optics = galsim.OpticalPSF(lam_over_diam=0.7, defocus=0.5)
    star = galsim.Convolve(galsim.Kolmogorov(fwhm=2.6), optics)

    def stamp(dx, dy, half):
        side = 2 * half + 1
        return star.drawImage(nx=side, ny=side, scale=1.0, offset=(dx, dy)).array

    mine, _ = judged(good, sub(3, stamp, noise=6.0))
    assert mine["defocus"].state == "yes"
    assert mine["defocus"].value > 1.6
    assert mine["bloated_stars"].state == "no"


def test_defocus_with_a_hole(good):
    mine, others = judged(good, sub(3, ring(13, 0.4), noise=6.0))
    assert mine["defocus"].state == "yes"
    assert mine["bloated_stars"].state == "no"
    assert all(one["defocus"].state == "no" for one in others)


@pytest.mark.parametrize("mag", [0.35, 1.0])
def test_clouds_by_matched_stars(good, mag):
    mine, others = judged(good, sub(3, light=10 ** (-0.4 * mag)))
    assert mine["clouds"].state == "yes"
    assert mine["clouds"].value == pytest.approx(mag, abs=0.06)
    assert all(one["clouds"].state == "no" for one in others)


def test_patchy_clouds(good):
    """Loss from 0 to 0.8 mag across the frame: rms of a straight slope is 0.8 / sqrt(12)."""
    bad = sub(3, light=lambda x, y: 10 ** (-0.4 * 0.8 * np.clip(x / SHAPE[1], 0, 1)))
    mine, _ = judged(good, bad)
    assert mine["clouds"].state == "yes"
    uneven = float(mine["clouds"].note.split("by ")[1].split(" mag")[0])
    # Medians of thirds of the frame see the slope in steps: 0.8 / 3 apart, rms 0.22 to 0.25.
    assert uneven == pytest.approx(0.23, abs=0.05)


def test_stars_that_jumped_lose_light_without_a_cloud(good):
    """Of every star 40 % of the light lies 14 px away: 2.5 log10(1 / 0.6) = 0.55 mag, evenly.
    Where light is lost in patches there is a veil, whatever the stars look like."""
    double = images(3.0, [(0, 0), (14, 0)], [0.6, 0.4])
    mine, others = judged(good, sub(3, double))
    assert mine["guiding_loss"].state == "yes"
    assert mine["clouds"].state == "unknown"
    assert mine["clouds"].value == pytest.approx(0.55, abs=0.15)
    assert "drawn out" in mine["clouds"].note
    assert all(one["clouds"].state == "no" for one in others)
    # What is summed goes with a star's width: behind a veil swollen stars lose as much as others.
    mine, _ = judged(good, sub(3, moffat(4.6, 3.5), light=0.6))
    assert (mine["bloated_stars"].state, mine["clouds"].state) == ("yes", "yes")
    line = images(3.0, [(12 * s, 0) for s in np.linspace(-0.5, 0.5, 41)], [1 / 41] * 41)
    veil = sub(3, line, light=lambda x, y: 10 ** (-0.4 * 0.9 * x / SHAPE[1]))
    mine, _ = judged(good, veil)
    assert (mine["drift"].state, mine["clouds"].state) == ("yes", "yes")
    even, _ = judged(good, sub(3, line, light=0.6))
    assert (even["drift"].state, even["clouds"].state) == ("yes", "unknown")


@pytest.mark.parametrize(("stars", "state"), [(1.0, "no"), (2.0, "yes")])
def test_one_brighter_sub_makes_no_cloud_of_all_others(good, stars, state):
    """A magnitude more light shows 2.3 times the stars (10^0.36); with no more it is no sky that
    was clearer."""
    facts, measures = sub(3, light=2.5)
    numbers = measures.numbers | {"star_count": stars * good[3][1].numbers["star_count"]}
    _, others = judged(good, (facts, replace(measures, numbers=numbers)))
    assert {one["clouds"].state for one in others} == {state}


def test_wide_stars_are_no_measure_of_how_clear_it_was(good):
    """Out of focus stars merge with their neighbours and are clipped less: brighter by 0.7 mag."""
    wide = [sub(index, moffat(10.0, 3.5), light=1.9, noise=6.0) for index in range(3)]
    found = judge_runs([*wide, *good[3:]], ["one run"] * len(good))
    assert min(loss for loss in _lost([*wide, *good[3:]])[:3]) < -0.4  # they match, and seem bright
    for evidence in found:
        assert evidence["clouds"].state == "no"


def _lost(run):
    return [light_lost(measures.stars, run[-1][1].stars).mean_mag for _, measures in run]


def test_extinction_is_not_cloud(good):
    """0.2 mag per airmass: at 30 degrees (airmass 1.99, Pickering 2002) 0.2 mag more."""
    low = sub(3, light=10 ** (-0.4 * 0.2), altitude_deg=30.0)
    high = [(replace(facts, altitude_deg=90.0), measures) for facts, measures in good]
    mine, _ = judged(high, low)
    assert mine["clouds"].state == "no"
    assert mine["clouds"].value == pytest.approx(0.0, abs=0.06)


def test_airmass_is_taken_out_of_widths(good):
    """Seeing grows as airmass^0.6: 1.99^0.6 = 1.51 is no bloat at 30 degrees."""
    low = sub(3, moffat(3.0 * 1.45, 3.5), altitude_deg=30.0)
    high = [(replace(facts, altitude_deg=90.0), measures) for facts, measures in good]
    assert judged(high, low)[0]["bloated_stars"].state == "no"
    unknown = (replace(low[0], altitude_deg=None), low[1])
    assert judged(good, unknown)[0]["bloated_stars"].state in ("yes", "unknown")


def test_vibration_differs_from_its_neighbours_and_drift_does_not(good):
    def line(length):
        steps = (np.arange(31) + 0.5) / 31 - 0.5
        places = [(length * s * 0.9, length * s * 0.44) for s in steps]
        return images(3.0, places, np.full(31, 1 / 31))

    alone = sub(3, line(5.0))
    assert alone[1].evidence["drift"].state == "unknown"
    mine, _ = judged(good, alone)
    assert (mine["vibration"].state, mine["drift"].state) == ("yes", "no")
    drifting = [sub(index, line(5.0)) for index in range(7)]
    for evidence in judge_runs(drifting, ["one run"] * 7):
        assert (evidence["vibration"].state, evidence["drift"].state) == ("no", "yes")
        assert evidence["bloated_stars"].state == "no"


def test_few_frames_are_judged_by_themselves(good):
    evidence = judge_runs(good[:5], ["one run"] * 5)
    for (_, measures), one in zip(good, evidence, strict=False):
        assert one["bloated_stars"].state == measures.evidence["bloated_stars"].state
        assert "only 5 frames" in one["clouds"].note
    single = judge_runs(good[:1], ["alone"])[0]
    assert "the only frame of its run" in single["defocus"].note


def test_runs_are_kept_apart_and_nothing_given_is_changed(good):
    wide = [sub(index, moffat(5.5, 3.5)) for index in range(6)]
    before = [dict(measures.evidence) for _, measures in good + wide]
    evidence = judge_runs(good + wide, ["sharp"] * 7 + ["wide"] * 6)
    assert all(one["bloated_stars"].state == "no" for one in evidence)
    together = judge_runs(good + wide, ["same"] * 13)
    assert all(one["bloated_stars"].state == "yes" for one in together[7:])
    assert before == [measures.evidence for _, measures in good + wide]
    with pytest.raises(ValueError, match="one key per frame"):
        judge_runs(good, ["a"])


def test_a_night_out_of_focus_is_no_norm_of_its_own(good):
    """Good is never wider than poor seeing of 4 arcsec with three pixels added in square."""
    usual = [(replace(f, pixel_um=2.5, focal_mm=515.66), m) for f, m in good]
    assert usual[0][0].scale_arcsec == pytest.approx(1.0, rel=1e-3)  # 3.4 against 5 arcsec
    assert reference_of(usual).fwhm_px == pytest.approx(reference_of(good).fwhm_px)
    wide = [sub(i, moffat(8.0, 3.5), pixel_um=3.75, focal_mm=515.66) for i in range(6)]
    reference = reference_of(wide)  # 1.5 arcsec/px: 12 arcsec against hypot(4, 4.5) = 6.02
    assert reference.fwhm_px == pytest.approx(6.02 / 1.5, rel=0.02)
    assert "softer" in reference.note
    assert judge_runs(wide, ["x"] * 6)[0]["bloated_stars"].state == "yes"


@pytest.mark.parametrize(("stars", "state"), [(0.4, "no"), (1.3, "yes")])
def test_one_sub_far_sharper_is_the_norm_only_with_as_many_stars(good, stars, state):
    """Pieces of donuts are narrow too, but few; sharper stars are more of them."""
    facts, measures = good[0]
    numbers = measures.numbers | {"fwhm_px": 1.8, "hfr_px": 0.95}
    numbers["star_count"] = stars * measures.numbers["star_count"]
    odd = facts, replace(measures, numbers=numbers)
    evidence = judge_runs([*good[1:], odd], ["one run"] * 7)
    assert {one["bloated_stars"].state for one in evidence[:6]} == {state}


def test_where_too_few_stars_tell_the_run_tells_no_motion(good):
    """A common shape of five stars, hardly stretched, may lie along the neighbours' by chance."""
    few = [(f, replace(m, evidence=m.evidence | elongated(None, 1.1, 1.0, None))) for f, m in good]
    for one in judge_runs(few, ["one run"] * 7):
        assert {one[key].state for key in ("drift", "vibration", "guiding_loss")} == {"unknown"}


def test_run_keys():
    facts = Facts(target="M 31", filter="Ha", exposure_s=300.0, camera="Cam", binning=2)
    key = run_key(replace(facts, gain_setting=120.0), (400, 600))
    assert key == "M 31 | Ha | 300 s | Cam 600 x 400 | bin 2 | gain 120"
    assert run_key(Facts(), (400, 600)) == "? | ? | ? | 600 x 400 | ? | ?"
    assert run_key(facts, (400, 600)) != run_key(facts, (401, 600))


def stars_of(seed=1, count=80):
    rng = np.random.default_rng(seed)
    flux = np.sort(1000 * (1 + rng.pareto(1.0, count)))[::-1]
    return np.c_[rng.uniform(0, 2000, count), rng.uniform(0, 1500, count), flux].astype(np.float32)


@pytest.mark.parametrize("turn_deg", [0.0, 0.15, 180.0, 180.1])
def test_stars_are_matched_through_shift_turn_and_meridian_flip(turn_deg):
    reference = stars_of()
    turn = np.deg2rad(turn_deg)
    rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    moved = reference.copy()
    moved[:, :2] = (reference[:, :2] - [1000, 750]) @ rotation.T + [1031, 731]
    moved[:, 2] *= 10 ** (-0.4 * 0.5)
    order = np.random.default_rng(0).permutation(len(moved))
    pairs = match(moved[order], reference)
    assert len(pairs) > 0.9 * len(reference)
    assert (order[pairs[:, 0]] == pairs[:, 1]).all()
    loss = light_lost(moved[order], reference)
    assert loss.mean_mag == pytest.approx(0.5, abs=1e-3)
    assert loss.patchy_mag == pytest.approx(0.0, abs=1e-3)


def test_other_fields_do_not_match():
    assert light_lost(stars_of(1), stars_of(2)) is None
    assert light_lost(stars_of(1)[:4], stars_of(1)) is None


def test_star_counts_stand_in_where_stars_do_not_match(good):
    facts, measures = sub(3, light=0.9)
    lost = replace_stars(measures, count=20)
    evidence = judged(good, (facts, lost))[0]["clouds"]
    # log10(90 / 20) / 0.36 = 1.8 mag: star counts fall by 0.36 dex per magnitude.
    assert evidence.state == "yes"
    assert evidence.value == pytest.approx(math.log10(90 / 20) / 0.36, abs=0.15)
    assert "counts" in evidence.note


def replace_stars(measures, count):
    numbers = measures.numbers | {"star_count": float(count)}
    return replace(measures, numbers=numbers, stars=measures.stars[:5])


def test_far_fewer_stars_that_are_as_bright_leave_cloud_open(good):
    """Files scaled each by itself show as much light of the stars that are left."""
    facts, measures = good[3]
    fewer = measures.numbers | {"star_count": 0.5 * measures.numbers["star_count"]}
    bad, _ = judged(good, (facts, replace(measures, numbers=fewer)))
    assert bad["clouds"].state == "unknown"
    some = measures.numbers | {"star_count": 0.8 * measures.numbers["star_count"]}
    bad, _ = judged(good, (facts, replace(measures, numbers=some)))
    assert bad["clouds"].state == "no"
