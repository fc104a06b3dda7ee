"""Time lines of a run made of star lists: order, flips, turns, light lost, directions."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from classifier.evidence import NO, Evidence
from classifier.facts import Facts
from classifier.measures import FrameMeasures
from classifier.night_line import NightSub, night_line
from classifier.vocabulary import KEYS

SIZE = (400, 600)
BEGIN = datetime(2025, 1, 3, 20, tzinfo=UTC)


def stars_of(seed=1, count=80):
    rng = np.random.default_rng(seed)
    places = rng.uniform((20, 20), (580, 380), (count, 2))
    return np.c_[places, 1e4 * rng.pareto(1.2, count) + 500].astype(np.float32)


def moved(stars, turn_deg=0.0, shift=(0.0, 0.0), lost_mag=0.0):
    t = np.deg2rad(turn_deg)
    turn = np.array([[np.cos(t), -np.sin(t)], [np.sin(t), np.cos(t)]])
    middle = np.array([299.5, 199.5])
    places = (stars[:, :2] - middle) @ turn.T + middle + shift
    order = np.argsort(-stars[:, 2])
    return np.c_[places, stars[:, 2] * 10 ** (-0.4 * lost_mag)].astype(np.float32)[order]


def sub(i, stars, numbers=None, **facts):
    measures = FrameMeasures(
        {"star_count": float(len(stars))} | (numbers or {}),
        {key: Evidence(NO, 0.0, "", 1.0) for key in KEYS},
        stars,
    )
    begin = {"time_utc": BEGIN + timedelta(minutes=10 * i)}
    return NightSub(f"s{i}", Facts(exposure_s=60.0, **(begin | facts)), SIZE, measures)


def test_order_light_turn_and_flip():
    field = stars_of()
    turns, lost = [0, 0.2, 0.4, 180.6, 180.8], [0.0, 0.5, 0.0, 0.1, 0.0]
    subs = [
        sub(i, moved(field, turn, (3 * i, -2 * i), mag))
        for i, (turn, mag) in enumerate(zip(turns, lost, strict=True))
    ]
    line = night_line([subs[k] for k in (3, 0, 4, 2, 1)])
    assert [one.name for one in line.subs] == ["s0", "s1", "s2", "s3", "s4"]
    assert line.hours == pytest.approx(np.arange(5) / 6)
    assert line.flip == 3
    # Places are exact but for float32: the fit of a similarity leaves 1e-4 deg.
    assert np.abs(line.of["turn_deg"]) == pytest.approx([0, 0.2, 0.4, 0.6, 0.8], abs=0.01)
    assert line.of["lost_mag"] == pytest.approx(lost, abs=0.01)


def test_without_times_the_given_order_holds():
    field = stars_of()
    subs = [sub(i, field) for i in range(3)]
    untimed = [NightSub(s.name, Facts(), s.size_px, s.measures) for s in subs]
    line = night_line(untimed)
    assert not line.timed
    assert list(line.hours) == [0, 1, 2]
    assert "moon_altitude_deg" not in line.of
    assert np.isnan(line.of["altitude_deg"]).all()


def test_an_empty_sub_is_unknown_not_fatal():
    field = stars_of()
    subs = [sub(0, field), sub(1, np.zeros((0, 3), np.float32)), sub(2, field)]
    line = night_line(subs)
    assert np.isnan(line.of["lost_mag"][1])
    assert np.isfinite(line.of["lost_mag"][[0, 2]]).all()


@pytest.mark.parametrize("mirrored", [False, True])
def test_directions_on_the_sky(mirrored):
    # +y of the array points to position angle 30; +x then to 30 - 90, mirrored to 30 + 90.
    field = stars_of()
    line = night_line([sub(i, field, camera_deg=30.0, mirrored=mirrored) for i in range(2)])
    assert line.to_sky_deg(np.array([90.0, 90.0])) == pytest.approx([30, 30])
    along_x = 120.0 if mirrored else 300.0
    assert line.to_sky_deg(np.array([0.0, 0.0])) == pytest.approx([along_x] * 2)


def test_site_and_pointing_tell_altitudes():
    field = stars_of()
    where = {"ra_deg": 83.8, "dec_deg": -5.4, "latitude_deg": 48.2, "longitude_deg": 16.4}
    line = night_line([sub(i, field, **where) for i in range(3)])
    # At transit the altitude is 90 - latitude + declination = 36.4; it cannot stand higher.
    assert (line.of["altitude_deg"] < 36.6).all() and (line.of["altitude_deg"] > 20).all()
    assert (line.of["airmass"] > 1.6).all()
    assert np.isfinite(line.of["moon_altitude_deg"]).all()


@pytest.mark.parametrize("longitude", [16.4, 100.5, -110.9])
def test_longitude_counted_the_wrong_way_is_turned(longitude):
    """A night about local midnight; its places must not depend on how the header counts."""
    field, noon = stars_of(), datetime(2026, 1, 15, 12, tzinfo=UTC)
    begin = noon + timedelta(hours=12 - longitude / 15)
    where = {"ra_deg": 116.0, "dec_deg": 28.0, "latitude_deg": 35.0}  # high at midnight in January

    def lines(degrees):
        at = [begin + timedelta(minutes=10 * i) for i in range(3)]
        return night_line(
            [sub(i, field, **where, longitude_deg=degrees, time_utc=t) for i, t in enumerate(at)]
        )

    true, turned = lines(longitude), lines(-longitude)
    assert true.site_note == "" and true.of["sun_altitude_deg"].max() < -40
    if longitude == 16.4:  # night at both: which is right cannot be told
        assert turned.site_note == ""
    else:
        assert f"longitude, {-longitude:g}," in turned.site_note
        for name in ("altitude_deg", "sun_altitude_deg", "moon_altitude_deg"):
            assert turned.of[name] == pytest.approx(true.of[name], abs=1e-6)


def test_a_site_in_daylight_tells_no_places():
    at = [datetime(2026, 6, 15, 12, 10 * i, tzinfo=UTC) for i in range(3)]
    where = {"ra_deg": 83.8, "dec_deg": -5.4, "latitude_deg": 48.2, "longitude_deg": 16.4}
    line = night_line([sub(i, stars_of(), **where, time_utc=t) for i, t in enumerate(at)])
    assert "moon_altitude_deg" not in line.of and "the Sun was up" in line.site_note


def test_what_merged_stars_gain_is_no_clear_sky():
    field = stars_of()
    bright = field * [1, 1, 2]  # 0.75 mag
    subs = [sub(i, bright, {"fwhm_px": 9.0}) for i in range(3)]
    line = night_line([*subs, *(sub(i, field, {"fwhm_px": 3.0}) for i in range(3, 7))])
    assert line.of["lost_mag"] == pytest.approx(np.zeros(7), abs=0.01)


def test_the_error_of_the_loss_is_what_its_scatter_is():
    rng = np.random.default_rng(8)
    field, found, told = stars_of(), [], []
    for _ in range(40):
        noisy = field.copy()
        noisy[:, 2] *= 10 ** (-0.4 * rng.normal(0, 0.3, len(noisy)))
        line = night_line([sub(0, np.r_[field, field[:1] + 5]), sub(1, noisy)])
        found.append(line.of["lost_mag"][1] - line.of["lost_mag"][0])
        told.append(line.of["loss_error_mag"][1])
    # Scatter of 40 medians: known to 11 %; the medians' own errors to less.
    assert np.mean(told) == pytest.approx(np.std(found), rel=0.35)
    # 1.2533 * 0.3 / sqrt(80), for normal scatter.
    assert np.mean(told) == pytest.approx(0.042, rel=0.1)
