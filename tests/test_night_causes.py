"""Signs and causes on runs whose course is written down by hand: what each must and must not say.

The series follow from the physics of the cause (a flip turns flexure's direction, wind's not; a
defocused star is flatter than a sharp one, poor seeing keeps its form), not from the table.
"""

import math

import numpy as np
import pytest
from written_run import COUNT, STEP, run_of

from classifier.evidence import YES, Evidence
from classifier.night_causes import (
    SURE,
    likelihoods,
    night_causes,
    ramp,
    ranked_causes,
    signs_of,
)
from classifier.night_line import night_line
from classifier.remedies import remedy


def likely(line):
    found = likelihoods(signs_of(line))
    return {key: value for key, value in found.items() if value >= 0.15}


RNG = np.random.default_rng(11)


def test_a_quiet_run_has_no_cause():
    assert likely(run_of()) == {}
    assert ranked_causes(signs_of(run_of()), run_of()) == []


def test_a_stretch_that_the_flip_turns_is_flexure():
    found = likely(run_of(elongation=1.4, angle_deg=np.where(STEP, 110.0, 30.0)))
    assert max(found, key=found.get) == "flexure"
    assert found["flexure"] > 0.7
    assert found.get("vibration", 0) < 0.5 and "wind" not in found


def test_a_stretch_that_the_flip_leaves_is_not():
    found = likely(run_of(elongation=1.4, angle_deg=30.0))
    assert "flexure" not in found
    assert max(found, key=found.get) == "vibration"


def test_growing_gusts_from_one_side_are_wind():
    size = np.where(np.arange(COUNT) < 5, 0.03, RNG.uniform(0.08, 0.6, COUNT))
    found = likely(run_of(elongation=1 + size, angle_deg=75.0))
    assert max(found, key=found.get) == "wind"


@pytest.mark.parametrize("angle_deg, is_ra", [(150.0, True), (60.0, False)])
def test_to_and_fro_along_right_ascension_is_tracking(angle_deg, is_ra):
    # +y points to position angle 30; east, 60 further on, lies 60 from +y towards -x: at 150.
    size = np.where(np.arange(COUNT) % 2, 0.45, 0.15)
    found = likely(run_of(elongation=1 + size, angle_deg=angle_deg))
    assert (found.get("tracking_error", 0) > 0.5) == is_ra


def test_flat_stars_that_follow_the_temperature_are_focus():
    off = (1 - np.exp(-np.arange(COUNT) / 9)) / (1 - math.exp(-17 / 9))
    grown = np.sqrt(1 + 3 * off**2)
    line = run_of(hfr_px=2 * grown, fwhm_px=4.4 * grown, concentration=1 - 0.2 * off)
    found = likely(line)
    assert max(found, key=found.get) == "focus_temperature"
    assert "seeing" not in found


def test_flat_stars_from_one_sub_on_are_a_knock():
    line = run_of(
        hfr_px=np.where(STEP, 3.4, 2.0),
        fwhm_px=np.where(STEP, 7.4, 4.0),
        concentration=np.where(STEP, 0.85, 1.0),
    )
    found = likely(line)
    assert max(found, key=found.get) == "focuser_bumped"


def test_round_wide_stars_of_the_same_form_are_seeing():
    bump = 1 + 0.9 * np.exp(-0.5 * ((np.arange(COUNT) - 7) / 2.0) ** 2)
    found = likely(run_of(hfr_px=2 * bump, fwhm_px=4 * bump))
    assert max(found, key=found.get) == "seeing"
    assert "focus_temperature" not in found


def test_light_that_goes_and_comes_back_is_cloud_and_light_that_stays_away_is_not():
    bank = 1.2 * np.exp(-0.5 * ((np.arange(COUNT) - 6) / 2.0) ** 2)
    passing = likely(run_of(lost=bank))
    assert passing["thin_cloud"] > 0.3 and "haze" not in passing
    growing = likely(run_of(lost=0.8 / (1 + np.exp(-(np.arange(COUNT) - 8)))))
    assert growing["haze"] > 0.5 and "thin_cloud" not in growing


def test_too_few_subs_say_nothing():
    line = night_line(run_of(elongation=1.5).subs[:5])
    assert ranked_causes(signs_of(line), line) == []


def test_a_missing_fact_is_named_and_lowers_the_likelihood():
    size = np.where(np.arange(COUNT) % 2, 0.45, 0.15)
    line = run_of(elongation=1 + size, angle_deg=150.0)
    sure = likelihoods(signs_of(line))["tracking_error"]
    line.of["camera_deg"][:] = np.nan
    signs = signs_of(line)
    assert likelihoods(signs)["tracking_error"] < 0.6 * sure


def test_the_table_names_remedies_that_exist_and_signs_that_have_words():
    assert len(night_causes()) >= 25
    for cause in night_causes().values():
        assert cause.remedy in {one.name for one in remedy(cause.fault).causes}, cause.key
        assert cause.signs, cause.key
        assert all(none != full for _, none, full in (*cause.signs, *cause.helps))


def test_evidence_is_told_with_its_numbers():
    line = run_of(elongation=1.4, angle_deg=np.where(STEP, 110.0, 30.0))
    top = ranked_causes(signs_of(line), line)[0]
    assert top.evidence[0] == "stars are 40 % longer than wide in the typical sub"
    assert not any("{" in each for each in (*top.evidence, *top.against))


def test_ramp():
    assert [ramp(v, 1, 3) for v in (0, 1, 2, 3, 9)] == [0, 0, 0.5, 1, 1]
    assert [ramp(v, 3, 1) for v in (0, 2, 9)] == [1, 0.5, 0]
    assert math.isnan(ramp(math.nan, 0, 1))


def test_seeing_that_got_better_and_worse_again_is_still_seeing():
    dip = 1.8 - 0.9 * np.exp(-0.5 * ((np.arange(COUNT) - 9) / 3.0) ** 2)
    found = likely(run_of(hfr_px=2 * dip, fwhm_px=4 * dip))
    assert max(found, key=found.get) == "seeing" and found["seeing"] > 0.6
    growing = np.linspace(1.0, 1.9, COUNT)
    assert likely(run_of(hfr_px=2 * growing, fwhm_px=4 * growing)).get("seeing", 0) < 0.6


def spiked(line, deg, share=None):
    """The line with a pair of spikes in that direction in the subs of `share`, over some noise."""
    rng = np.random.default_rng(6)
    for i, sub in enumerate(line.subs):
        rays = 0.1 * rng.normal(size=(2, 3, 90))
        rays[:, :, int(deg / 2)] += 1.0 if share is None or share[i] else 0.0
        sub.measures.rays = rays
    return line


@pytest.mark.parametrize("deg, is_cable", [(120.0, True), (36.0, False)])
def test_wings_along_drawn_out_stars_are_no_cable(deg, is_cable):
    signs = signs_of(spiked(run_of(elongation=1.5, angle_deg=30.0), deg))
    assert (signs["bar_sigma"] > 4) == is_cable
    assert (likelihoods(signs)["cable"] > 0.15) == is_cable


@pytest.mark.parametrize("subs", [2, 6])
def test_a_guide_star_lost_in_one_cloud_after_the_flip(subs):
    hidden = (np.arange(COUNT) >= 11) & (np.arange(COUNT) < 11 + subs)
    line = run_of(
        elongation=np.where(hidden, 1.7, 1.04), lost=np.where(hidden, 1.4, 0.0), angle_deg=60.0
    )
    line.of["asymmetry"][hidden] = 0.4
    found = likely(line)
    assert max(found, key=found.get) == "guiding_after_cloud"
    # A wrong calibration would spare no sub after the flip.
    assert "guide_calibration" not in found


def test_spikes_of_subs_out_of_focus_do_not_count():
    soft = np.arange(COUNT) % 2 == 1
    line = run_of(fwhm_px=np.where(soft, 9.0, 4.0))
    assert signs_of(spiked(line, 120.0, soft))["bar_sigma"] < 2.8
    assert signs_of(spiked(line, 120.0, ~soft))["bar_sigma"] > 4


def seen_as(moments):
    """(n, 2, 2) second moments -> elongation, angle_deg and fwhm_px (of the mean axis)."""
    values, vectors = np.linalg.eigh(moments)
    angle = np.degrees(np.arctan2(vectors[:, 1, 1], vectors[:, 0, 1])) % 180
    return {
        "elongation": np.sqrt(values[:, 1] / values[:, 0]),
        "angle_deg": angle,
        "fwhm_px": 2.3548 * np.sqrt(values.mean(1)),
    }


def along(deg, square):
    turn = math.radians(deg)
    axis = np.array([math.cos(turn), math.sin(turn)])
    return square * np.outer(axis, axis)


def test_a_burst_across_the_optics_own_stretch_is_still_a_burst():
    # Second moments of convolved lights add: along the stretch of the optics 0.44 more than across
    # (1.2 longer), in three subs 0.75 across it, which leaves them hardly longer.
    hit = np.isin(np.arange(COUNT), (3, 8, 14))
    moments = np.array([3 * (np.eye(2) + along(30, 0.44) + h * along(120, 0.75)) for h in hit])
    seen = seen_as(moments)
    assert seen["elongation"][hit].max() < 1.2
    found = likely(run_of(**seen))
    assert signs_of(run_of(**seen))["sway_share"] == pytest.approx(3 / COUNT)
    assert max(found, key=found.get) == "vibration_bursts"


def test_air_that_rounds_a_stretched_star_is_no_burst():
    # Poor seeing adds the same to both axes.
    poor = np.isin(np.arange(COUNT), (3, 8, 14))
    moments = np.array([3 * (np.eye(2) * (1 + 1.5 * p) + along(30, 0.8)) for p in poor])
    seen = seen_as(moments)
    assert np.ptp(seen["elongation"]) > 0.15
    signs = signs_of(run_of(**seen))
    assert signs["sway_share"] == 0 and likelihoods(signs)["vibration_bursts"] < 0.15


@pytest.mark.parametrize("hit, is_optics", [(np.ones(COUNT, bool), True), (STEP, False)])
def test_optics_are_lopsided_in_every_sub_and_motion_in_some(hit, is_optics):
    line = run_of()
    line.of["asymmetry"][:] = np.where(hit, 0.3, 0.05)
    line.of["skew_x"][:], line.of["skew_y"][:] = 0.1, 0.05
    signs = signs_of(line)
    assert (signs["decentred"] > 0.2) == is_optics
    assert (likelihoods(signs)["miscollimation"] > 0.5) == is_optics


@pytest.mark.parametrize("coherence, is_burst", [(0.15, False), (0.6, True)])
def test_single_long_subs_are_bursts_if_their_stars_agree(coherence, is_burst):
    # 60 directions at random agree by R in exp(-60 R^2) of cases (Rayleigh): 0.26 and 4e-10.
    hit = np.isin(np.arange(COUNT), (3, 8, 14))
    line = run_of(elongation=np.where(hit, 1.5, 1.04), angle_coherence=coherence, star_count=60.0)
    assert (likelihoods(signs_of(line))["vibration_bursts"] > 0.5) == is_burst


def test_light_that_only_seems_to_come_and_go_is_no_cloud():
    line = run_of(lost=np.where(np.arange(COUNT) // 3 % 2, 0.6, 0.0))
    assert likelihoods(signs_of(line))["thin_cloud"] > 0.8
    line.of["loss_error_mag"][:] = 0.3  # eight stars that scatter by 0.7
    assert likelihoods(signs_of(line))["thin_cloud"] < 0.15


def test_a_line_that_lies_there_all_night_is_no_satellite():
    line = run_of()
    for i, sub in enumerate(line.subs):
        place = [100.0, 50.0, 400.0, 300.0] if i < 12 else [20.0 * i, 10.0, 90.0, 20.0 * i]
        sub.measures.evidence["trail"] = Evidence(YES, 20.0, "", 1.0, where=[place])
    # The twelve are of one place; the six others differ.
    assert signs_of(line)["trail_share"] == pytest.approx(6 / COUNT)


@pytest.mark.parametrize("place, is_dust", [((30, 20), True), ((0, 0), False)])
def test_a_dark_corner_is_no_dust(place, is_dust):
    line = run_of()
    y, x = np.mgrid[:48, :64]
    rng = np.random.default_rng(5)
    away = np.hypot(x - place[0], y - place[1])
    shadow = -0.08 * ((away < 4) if is_dust else np.clip(1 - away / 20, 0, 1))
    for sub in line.subs:
        noise = 0.002 * rng.normal(size=shadow.shape)
        sub.measures.sky = (900 * (shadow + noise)).astype(np.float16)
    depth = signs_of(line)["spots_pct"]
    # 8 % deep, less what the least bright side lies under the sky.
    assert (6.0 < depth < 8.5) if is_dust else depth < 1.0


def test_a_moon_that_never_rose_lit_no_sky():
    line = run_of()
    for name, value in {"moon_altitude_deg": -30, "moon_lit": 0.5, "sun_altitude_deg": -40}.items():
        line.of[name] = np.full(COUNT, float(value))
    line.of["moon_angle_deg"] = line.of["zenith_angle_deg"] = np.zeros(COUNT)
    assert signs_of(line)["moon_sky"] == 0.0


@pytest.mark.parametrize("hits", [(4, 11), (2, 8, 14)])
def test_two_bursts_in_eighteen_subs_are_bursts(hits):
    # Fewer than a sixth of the subs: no quantile of the run but the highest sees them.
    hit = np.isin(np.arange(COUNT), hits)
    found = likely(run_of(elongation=np.where(hit, 1.5, 1.04)))
    assert max(found, key=found.get) == "vibration_bursts"
    assert found["vibration_bursts"] > 0.5


def test_a_field_that_turns_is_not_pushed_by_wind():
    # A push moves all stars alike; only a turn moves them unlike.
    size = np.where(np.arange(COUNT) < 5, 0.03, RNG.uniform(0.08, 0.6, COUNT))
    signs = signs_of(run_of(elongation=1 + size, angle_deg=75.0))
    turning = signs | {"turned_deg": 5.0, "turned_sigma": 30.0}
    assert likelihoods(turning)["wind"] < 0.6 * likelihoods(signs)["wind"]
    assert likelihoods(turning)["polar_misalignment"] > 0.8


def test_light_lost_low_in_the_sky_may_be_the_altitude():
    # What clear air takes differs from night to night (Patat et al. 2011, A&A 527, A91; cited from
    # memory), and at airmass 3.5 by three times as much as overhead.
    signs = signs_of(run_of(lost=0.8 / (1 + np.exp(-(np.arange(COUNT) - 8)))))
    high = likelihoods(signs | {"airmass_top": 1.3, "airmass_range": 0.2})
    low = likelihoods(signs | {"airmass_top": 3.5, "airmass_range": 2.3, "swell_airmass": 0.9})
    assert high["haze"] > 0.5 and low["haze"] < 0.6 * high["haze"]
    assert low["low_altitude"] > low["haze"]


@pytest.mark.parametrize(
    "sun_deg, lit, told", [(-14.0, 0.4, True), (-20.0, 0.4, False), (-14.0, 0.09, False)]
)
def test_satellites_in_twilight_need_twilight_and_a_crowd(sun_deg, lit, told):
    # Astronomical twilight ends with the Sun 18 degrees below the horizon (by definition). In a
    # long run a tenth of the subs, no more than any night has, is no chance either.
    signs = {"trail_odds": 3.0, "trail_dusk": 0.5, "thick": 0.1, "sun_top_deg": sun_deg}
    assert (likelihoods(signs | {"trail_lit": lit})["satellites"] > 0.5) == told


@pytest.mark.parametrize("key", ["cable", "ghost", "satellites"])
def test_what_one_measure_alone_tells_is_never_sure(key):
    cause = night_causes()[key]
    full = {name: limit for name, _, limit in (*cause.signs, *cause.helps)}
    assert 0.5 < likelihoods(full)[key] < SURE
    # Causes that several measures tell can be sure.
    wide = night_causes()["flexure"]
    full = {name: limit for name, _, limit in (*wide.signs, *wide.helps)}
    assert likelihoods(full)["flexure"] > SURE


def test_spikes_no_stronger_than_chance_tell_no_cable():
    line = spiked(run_of(), 120.0, np.zeros(COUNT))
    assert likelihoods(signs_of(line))["cable"] < 0.15
    assert likelihoods(signs_of(spiked(line, 120.0)))["cable"] > 0.5


@pytest.mark.parametrize("subs, may_be_sure", [(7, False), (8, True)])
def test_few_subs_are_never_sure(subs, may_be_sure):
    sure = set()
    for key, cause in night_causes().items():
        full = {name: limit for name, _, limit in (*cause.signs, *cause.helps)}
        sure |= {key} if likelihoods(full | {"subs": subs})[key] > SURE else set()
    assert ("flexure" in sure and "haze" in sure) == may_be_sure and (may_be_sure or not sure)
    assert signs_of(night_line(run_of().subs[:subs]))["subs"] == subs


def test_short_runs_of_nothing_but_scatter_have_no_sure_cause():
    # Scatter as of good subs: 3 % in width, 5 % in elongation, 0.03 mag in light (common practice).
    for seed in range(12):
        rng = np.random.default_rng(seed)
        width = np.exp(0.03 * rng.normal(size=COUNT))
        line = run_of(
            hfr_px=2 * width,
            fwhm_px=4 * width,
            elongation=1.02 + np.abs(0.05 * rng.normal(size=COUNT)),
            angle_deg=rng.uniform(0, 180, COUNT),
            lost=np.abs(0.03 * rng.normal(size=COUNT)),
            gradient_pct=np.exp(rng.normal(0.7, 0.4, COUNT)),
        )
        for subs in (line.subs[:6], line.subs[:9], line.subs):
            assert max(likelihoods(signs_of(night_line(subs))).values()) < 0.3


@pytest.mark.parametrize(
    "wider, brighter, cause", [(0.02, 0.25, "haze"), (0.35, 0.0, "dew"), (0.0, 0.0, "haze")]
)
def test_haze_dims_the_stars_and_dew_widens_them_too(wider, brighter, cause):
    # Cloud and haze scatter the light of the ground back; glass that dims lights nothing, but its
    # droplets widen what passes (common practice).
    grown = 1 / (1 + np.exp(-(np.arange(COUNT) - 8)))
    line = run_of(
        lost=0.6 * grown,
        hfr_px=2 * (1 + wider * grown),
        fwhm_px=4 * (1 + wider * grown),
        sky_adu=900 * (1 + brighter * grown),
    )
    line.of["halo"] = 0.05 + 0.3 * wider * grown
    found = likely(line)
    assert max(found, key=found.get) == cause and found[cause] > 0.6
    assert cause == "haze" or found.get("haze", 0.0) < 0.15


def test_a_sky_that_the_airmass_brightens_is_not_lit_by_haze():
    signs = signs_of(run_of())
    assert abs(signs["sky_rise"] - signs["sky_growth"]) < 1e-6
    line = run_of()
    line.of["airmass"] = np.linspace(1.0, 2.0, COUNT)
    line.of["sky_adu"] = 900 * (1 + 0.35 * (line.of["airmass"] - 1))
    signs = signs_of(line)
    assert signs["sky_growth"] > 0.2 and abs(signs["sky_rise"]) < 1e-6
